"""Listening beside the daemon: to a broker for a while, in a session of its own that ends with it.

Serves `condmon record` and `condmon survey`; the daemon's own messages are not touched.
"""

import argparse
import secrets
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from condmon.clock import Clock
from condmon.config import Broker, load
from condmon.config.send import broker as broker_of
from condmon.config.table import Problems, Section, Wrong
from condmon.config.text import Parsed
from condmon.config.values import topic_filter
from condmon.engine.decode import Arrived
from condmon.engine.records import Gap, Link
from condmon.engine.words import parse_duration
from condmon.errors import CondmonError, UsageError
from condmon.mqtt.client import Mqtt
from condmon.mqtt.connection import PACKET_BYTES_MAX
from condmon.mqtt.inbox import Inbox, Taken

TURN_S = 0.2
TELL_EVERY_S = 1.0
OPTIONS = ("username", "password_file", "ca_file", "cert_file", "key_file")
"""Keys of [broker] that can be given on the command line beside --broker."""

Keep = Callable[[Sequence[tuple[Arrived, int]]], None]
"""Takes messages with their quality of service, in the order in which they came."""


def broker_arguments(parser: argparse.ArgumentParser) -> None:
    """Say how a broker is named on the command line."""
    parser.add_argument("--broker", metavar="URL", help='such as "mqtt://127.0.0.1:1883"')
    for key, what in zip(OPTIONS, (
        "name at the broker", "a file with the password alone on its first line",
        "with mqtts: who signed the broker", "with mqtts: own certificate", "and its key",
    ), strict=True):  # fmt: skip
        shape = "NAME" if key == "username" else "FILE"
        parser.add_argument(f"--{key.replace('_', '-')}", metavar=shape, help=what)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Say what is listened to: a broker, or the one of a configuration, and topics."""
    broker_arguments(parser)
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


class Listening:
    """A subscription that lasts from the first connection to the last message."""

    def __init__(self, broker: Broker, topics: tuple[str, ...], keep: Keep, *, show: bool) -> None:
        self.messages = 0
        self.topics: set[str] = set()
        self._keep = keep
        self._show = show
        self._clock = Clock()
        self._inbox = Inbox(self._clock.now_us)
        self._mqtt = Mqtt(broker, topics, self._inbox, self._clock)
        self._was_up = False

    def run(self, stop: threading.Event, length_s: float | None) -> None:
        """Listen until told to stop or the time is over; CondmonError if there is no connection."""
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
        messages, tickets = [], iter(taken.tickets)
        for entry in taken.entries:
            if isinstance(entry, Arrived):
                messages.append((entry, 1 if next(tickets) else 0))
                self.topics.add(entry.topic)
            elif isinstance(entry, Link):
                self._link(entry)
            elif isinstance(entry, Gap):
                print(
                    f"\ncondmon: {entry.lost} messages came too fast and are missing",
                    file=sys.stderr,
                )
        self._keep(messages)
        self.messages += len(messages)
        self._mqtt.acknowledge(taken.tickets)

    def _link(self, link: Link) -> None:
        if link.up:
            refused = ", ".join(self._mqtt.refused_filters)
            if refused:
                print(
                    f"condmon: the broker refused {refused}: nothing of it will be heard",
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
        if self._show:
            print(
                f"\r{self.messages} messages, {len(self.topics)} topics, {lasted_s:.0f} s ",
                end="",
                file=sys.stderr,
                flush=True,
            )


def until_ended() -> threading.Event:
    """Give what Ctrl-C and a plain kill set."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    return stop


def whom(args: argparse.Namespace, purpose: str) -> tuple[Broker, tuple[str, ...]]:
    """Whom to listen to and for what. Raises UsageError and ConfigError."""
    if (args.broker is None) == (args.config is None):
        raise UsageError('give either --broker "mqtt://host:1883" or -c FILE')
    given = {key: getattr(args, key) for key in OPTIONS if getattr(args, key) is not None}
    topics = args.topic or ["#"]
    if args.config is not None:
        if given:
            raise UsageError(f"--{next(iter(given)).replace('_', '-')} goes with --broker; with -c "
                             "it stands in the configuration")  # fmt: skip
        config = load(args.config)
        broker = config.broker
        own = [s.topic for s in config.settings.signals if s.topic] + list(broker.also)
        topics = args.topic or own
    else:
        broker = _broker({"url": args.broker, **given})
    for topic in topics:
        try:
            topic_filter(topic)
        except Wrong as error:
            raise UsageError(f"--topic {topic!r}: {error}") from error
    name = f"condmon-{purpose}-{secrets.token_hex(4)}"
    return replace(
        broker, client_id=name, session_expiry_s=0, payload_bytes_max=PACKET_BYTES_MAX
    ), tuple(topics)


def named(args: argparse.Namespace, purpose: str) -> Broker:
    """The broker of --broker, in a session of its own. Raises UsageError."""
    if args.broker is None:
        raise UsageError('say which broker: --broker "mqtt://127.0.0.1:1883"')
    given = {key: getattr(args, key) for key in OPTIONS if getattr(args, key) is not None}
    name = f"condmon-{purpose}-{secrets.token_hex(4)}"
    return replace(_broker({"url": args.broker, **given}), client_id=name, session_expiry_s=0)


def _broker(table: dict[str, str]) -> Broker:
    """Read the options as the section [broker] is read."""
    problems = Problems("", Parsed({}, {}, {}))
    made = broker_of(Section(table, ("broker",), "broker", problems), Path.cwd(), "")
    found = [line.removeprefix(":1: [broker]") for line in problems.all()]
    if found:
        raise UsageError("\n".join(map(_as_option, found)))
    for line in problems.warnings():
        print("condmon: " + line.removeprefix(":1: [broker] url: "), file=sys.stderr)
    return made


def _as_option(problem: str) -> str:
    """Name an option as the command line does, where the problem names a key."""
    key, _, why = problem.partition(":")
    name = key.strip().replace("url", "broker").replace("_", "-")
    return f"--{name}:{why}" if name else why.strip()


def length_s(text: str | None) -> float | None:
    """Read how long to listen; None for until Ctrl-C."""
    if text is None:
        return None
    seconds = parse_duration(text)
    if not seconds or seconds <= 0:
        raise UsageError(f'--for {text!r} is no time such as "90 s" or "2 min"')
    return seconds
