"""`condmon publish`: sends a recording or capture to a broker at n times life, with its own clock.

So that any MQTT client can be tried on a recorded day. A recording goes out as it came in; a
capture goes to the topics that the configuration names, in the payloads that it describes.
"""

import argparse
import itertools
import sys
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from condmon import capture, spans
from condmon.capture.files import open_file
from condmon.clock import Clock, SiteCalendar, rfc3339
from condmon.config import Config, load
from condmon.engine.words import nearest
from condmon.errors import UsageError
from condmon.mqtt import listening
from condmon.replaying import sending
from condmon.replaying.paced import within
from condmon.replaying.progress import Progress
from condmon.replaying.sending import Sent
from condmon.replaying.toward import Toward

CLOCK_EVERY_S = 1.0
SPEED_MAX = 1e6


def arguments(parser: argparse.ArgumentParser) -> None:
    """Say what `condmon publish` takes."""
    add = parser.add_argument
    add("files", nargs="+", type=Path, metavar="FILE", help="a recording or capture; several are "
        "sent one after another")  # fmt: skip
    listening.broker_arguments(parser)
    add("-c", "--config", type=Path, metavar="FILE", help="for a capture: the configuration that "
        "says which signal is which topic")  # fmt: skip
    add("--speed", type=float, default=1.0, metavar="N", help="n times life (default: 1)")
    add("--qos", type=int, choices=(0, 1), default=1, help="default: 1")
    add("--machine", metavar="M", help="of a capture, this machine alone")
    add("--clock", metavar="TOPIC", help="also send what time it is in the file, once a second")
    add("--as-now", action="store_true", help="of a capture, write times into payloads as if it "
        "began now (default: the times of the file)")  # fmt: skip
    spans.arguments(parser)
    parser.epilog = (
        "Topics and payloads are those of the file: send to a broker of your own, not to the one "
        "that the shop's daemon listens to, or it takes the past for the present. Exit code 1: the "
        "broker cannot be reached or was lost."
    )


def run(args: argparse.Namespace) -> int:
    """Send until the files end or Ctrl-C. Raises UsageError, ConfigError and CondmonError."""
    if not 0 < args.speed <= SPEED_MAX:
        raise UsageError(f"--speed {args.speed:g}: give a number above 0, such as 60")
    broker = listening.named(args, "publish")
    config = load(args.config) if args.config else None
    if config and args.machine not in {None, *(ids := [m.id for m in config.settings.machines])}:
        raise UsageError(f"--machine {args.machine}: the configuration has no such machine"
                         f"{nearest(args.machine, ids)}")  # fmt: skip
    clock, notes = Clock(), capture.Notes()
    messages = _messages(args, config, notes, clock)
    first = next(messages, None)
    if first is None:
        raise UsageError("there is nothing to send: no message of the files lies in that time")
    stop = listening.until_ended()
    toward = Toward(broker, args.qos, clock.monotonic_s, stop)
    try:
        toward.connect()
        _send(itertools.chain([first], messages), toward, args, clock, notes, stop)
    finally:
        toward.leave()
    for text in notes.warnings:
        print(f"condmon: warning: {text}", file=sys.stderr)
    print(f"condmon: {toward.sent} messages on {len(toward.topics)} topics sent", file=sys.stderr)
    return 1 if notes.cut else 0


def _send(
    messages: Iterator[Sent], toward: Toward, args: argparse.Namespace, clock: Clock,
    notes: capture.Notes, stop: threading.Event,
) -> None:  # fmt: skip
    """Send each message when its time has come."""
    progress = Progress(clock.monotonic_s)
    began_s, told_s, first_us = clock.monotonic_s(), -1e9, 0
    for message in messages:
        first_us = first_us or message.at_us
        due_s = began_s + sending.seconds(message.at_us, first_us, args.speed)
        while (left_s := due_s - clock.monotonic_s()) > 0 and not stop.is_set():
            now_s = clock.monotonic_s()
            if args.clock and now_s - told_s >= CLOCK_EVERY_S:
                told_s = now_s
                toward.put(args.clock, _time(first_us, now_s - began_s, args.speed), retain=False)
            stop.wait(min(left_s, CLOCK_EVERY_S))
        if stop.is_set():
            break
        toward.put(message.topic, message.payload, retain=message.retain)
        if args.clock and clock.monotonic_s() - told_s >= CLOCK_EVERY_S:
            told_s = clock.monotonic_s()
            toward.put(args.clock, rfc3339(message.at_us).encode(), retain=False)
        if progress.due:
            part = notes.bytes_read / max(notes.bytes_total, 1)
            progress.show(part, rfc3339(message.at_us), toward.sent, "messages")
    progress.end()


def _time(first_us: int, gone_s: float, speed: float) -> bytes:
    return rfc3339(first_us + round(gone_s * speed * 1e6)).encode()


def _messages(
    args: argparse.Namespace, config: Config | None, notes: capture.Notes, clock: Clock
) -> Iterator[Sent]:
    """What is to be sent, all recordings before all captures."""
    opened = [open_file(path) for path in args.files]
    notes.bytes_total = sum(one.size for one in opened)
    span = _span(args, config)
    recordings = [one.path for one in opened if one.kind == "recording"]
    captures = [one.path for one in opened if one.kind != "recording"]
    if captures and config is None:
        raise UsageError(f"{captures[0]}: a capture names signals; -c FILE has to say which topics "
                         "they are")  # fmt: skip
    for path in recordings:
        for message in sending.of_recording(path, notes):
            if span[0] <= message.at_us < span[1]:
                yield message
    if captures and config:
        yield from _of_captures(captures, config, span, args, notes, clock)


def _of_captures(
    paths: Sequence[Path], config: Config, span: spans.Span, args: argparse.Namespace,
    notes: capture.Notes, clock: Clock,
) -> Iterator[Sent]:  # fmt: skip
    settings = config.settings
    wanted = {s.index for s in settings.signals if args.machine in {None, s.machine}}
    first_us: list[int] = []

    def told_us(at_us: int) -> int:
        if not args.as_now:
            return at_us
        if not first_us:
            first_us.extend((at_us, clock.now_us()))
        return sending.shifted(first_us[1], first_us[0], args.speed)(at_us)

    batches: Any = within(capture.read(paths, settings, notes), span)
    yield from sending.of_capture(batches, settings, told_us, notes, wanted)


def _span(args: argparse.Namespace, config: Config | None) -> spans.Span:
    """The time that was asked for; without a configuration, by the clock of UTC."""
    from condmon.engine.settings import Settings

    settings = config.settings if config else Settings("", SiteCalendar("UTC"), ())
    return spans.asked(args, settings) or spans.ALL
