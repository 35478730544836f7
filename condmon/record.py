"""`condmon record`: write what a broker sends into a recording, as it comes, for a later replay.

Uses a session of its own that ends with it, so the daemon's messages are not touched.
"""

import argparse
import gzip
import logging
import secrets
import signal
import sys
import threading
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

import pyarrow as pa

from condmon import log
from condmon.capture.recording import line_of
from condmon.clock import Clock
from condmon.config import Broker, load
from condmon.config.send import broker_url
from condmon.config.table import Wrong
from condmon.config.values import topic_filter
from condmon.connection import PACKET_BYTES_MAX
from condmon.engine.decode import Arrived
from condmon.engine.records import Gap, Link
from condmon.engine.words import parse_duration
from condmon.errors import CondmonError, UsageError
from condmon.inbox import Inbox, Taken
from condmon.mqtt import Mqtt

TURN_S = 0.2
TELL_EVERY_S = 1.0


def arguments(parser: argparse.ArgumentParser) -> None:
    """Say what `condmon record` takes."""
    parser.add_argument("--broker", metavar="URL", help='such as "mqtt://127.0.0.1:1883"')
    parser.add_argument(
        "-c",
        "--config",
        type=Path,
        metavar="FILE",
        help="take broker, user, certificates and topics from a configuration",
    )
    parser.add_argument(
        "--topic",
        action="append",
        metavar="FILTER",
        help="topic filter, again for more (default: all topics, #)",
    )
    parser.add_argument(
        "--for",
        dest="length",
        metavar="TIME",
        help='how long, such as "2 min" (default: until Ctrl-C)',
    )
    parser.add_argument(
        "-o",
        "--output",
        type=Path,
        required=True,
        metavar="FILE",
        help="a new file; packed where the name ends in .gz or .zst",
    )


def run(args: argparse.Namespace) -> int:
    """Record until the time is over or Ctrl-C. Raises UsageError and CondmonError."""
    broker, topics = _broker(args)
    length_s = _length_s(args.length)
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    log.set_up(sys.stderr.buffer, level=logging.CRITICAL)  # its own words are enough
    with ExitStack() as stack:
        stream = _opened(args.output, stack)
        recording = Recording(broker, topics, stream, show=sys.stderr.isatty())
        try:
            recording.run(stop, length_s)
        except OSError as error:
            raise CondmonError(
                f"cannot write {args.output}: {error.strerror}. What was written "
                "until then is complete; make room and record again."
            ) from error
        except CondmonError:
            if not recording.messages:
                args.output.unlink()
            raise
    print(
        f"condmon: {recording.messages} messages of {len(recording.topics)} topics written to "
        f"{args.output}",
        file=sys.stderr,
    )
    return 0


class Recording:
    """What is recorded, from the first connection to the last message."""

    def __init__(self, broker: Broker, topics: tuple[str, ...], stream: Any, *, show: bool) -> None:
        self.messages = 0
        self.topics: set[str] = set()
        self._stream = stream
        self._show = show
        self._clock = Clock()
        self._inbox = Inbox(self._clock.now_us)
        self._mqtt = Mqtt(broker, topics, self._inbox, self._clock)
        self._was_up = False

    def run(self, stop: threading.Event, length_s: float | None) -> None:
        """Write until told to stop or the time is over; CondmonError if there is no connection."""
        self._mqtt.start()
        began_s = told_s = self._clock.monotonic_s()
        try:
            while not stop.is_set():
                self._take(self._inbox.take(2000, TURN_S))
                now_s = self._clock.monotonic_s()
                if not self._was_up:
                    began_s = now_s
                if length_s is not None and now_s - began_s >= length_s:
                    break
                if now_s - told_s >= TELL_EVERY_S:
                    told_s = now_s
                    self._tell(now_s - began_s)
        finally:
            self._inbox.close()
            self._mqtt.stop()
            self._take(self._inbox.take(1_000_000, 0.0))
            if self._show:
                print(file=sys.stderr)

    def _take(self, taken: Taken) -> None:
        lines, tickets = [], iter(taken.tickets)
        for entry in taken.entries:
            if isinstance(entry, Arrived):
                lines.append(line_of(entry, qos=1 if next(tickets) else 0))
                self.topics.add(entry.topic)
            elif isinstance(entry, Link):
                self._link(entry)
            elif isinstance(entry, Gap):
                print(
                    f"\ncondmon: {entry.lost} messages came too fast and are missing",
                    file=sys.stderr,
                )
        self._stream.write(b"".join(lines))
        self.messages += len(lines)
        self._mqtt.acknowledge(taken.tickets)

    def _link(self, link: Link) -> None:
        if link.up:
            refused = ", ".join(self._mqtt.refused_filters)
            if refused:
                print(
                    f"condmon: the broker refused {refused}: nothing of it will be in the "
                    "recording",
                    file=sys.stderr,
                )
            if self._was_up:
                print(
                    "\ncondmon: connected again; what was sent meanwhile is missing",
                    file=sys.stderr,
                )
            self._was_up = True
        elif not self._was_up:
            raise CondmonError(link.reason)
        else:
            print(f"\ncondmon: {link.reason}; trying again", file=sys.stderr)

    def _tell(self, lasted_s: float) -> None:
        self._stream.flush()
        if self._show:
            print(
                f"\r{self.messages} messages, {len(self.topics)} topics, {lasted_s:.0f} s ",
                end="",
                file=sys.stderr,
                flush=True,
            )


def _broker(args: argparse.Namespace) -> tuple[Broker, tuple[str, ...]]:
    """Whom to listen to and for what; a session of its own that ends with the connection."""
    if (args.broker is None) == (args.config is None):
        raise UsageError('give either --broker "mqtt://host:1883" or -c FILE')
    topics = args.topic or ["#"]
    if args.config is not None:
        config = load(args.config)
        broker = config.broker
        own = [s.topic for s in config.settings.signals if s.topic] + list(broker.also)
        topics = args.topic or own
    else:
        try:
            at = broker_url(args.broker)
        except Wrong as error:
            raise UsageError(f"--broker: {error}") from error
        broker = Broker(at.host, at.port, at.tls, None, None, None, None, None, "")
    for topic in topics:
        try:
            topic_filter(topic)
        except Wrong as error:
            raise UsageError(f"--topic {topic!r}: {error}") from error
    name = f"condmon-record-{secrets.token_hex(4)}"
    return replace(
        broker, client_id=name, session_expiry_s=0, payload_bytes_max=PACKET_BYTES_MAX
    ), tuple(topics)


def _length_s(text: str | None) -> float | None:
    if text is None:
        return None
    length_s = parse_duration(text)
    if not length_s or length_s <= 0:
        raise UsageError(f'--for {text!r} is no time such as "90 s" or "2 min"')
    return length_s


def _opened(path: Path, stack: ExitStack) -> Any:
    """Open a new file, packed as its name says."""
    try:
        raw = stack.enter_context(path.open("xb"))
    except FileExistsError as error:
        raise UsageError(
            f"{path} is already there; a recording is never written over. Choose another name."
        ) from error
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror}") from error
    if path.suffix == ".gz":
        return stack.enter_context(gzip.GzipFile(fileobj=raw, mode="wb", mtime=0))
    if path.suffix == ".zst":
        return stack.enter_context(pa.CompressedOutputStream(pa.PythonFile(raw, "w"), "zstd"))
    return raw
