"""`condmon replay`: recorded days through the very engine that watches live."""

import argparse
import sys
import threading
from argparse import Namespace
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

from condmon import capture, spans
from condmon.capture.ahead import ahead
from condmon.clock import Clock, SiteCalendar
from condmon.commands.replaytext import (
    alert_row,
    entry_row,
    lines,
    message_row,
    readable,
    sample_rows,
)
from condmon.config import Config, load
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert, Entry, Judged, Message, Output
from condmon.engine.records import Batch
from condmon.engine.settings import CONDMON, Settings
from condmon.engine.words import nearest
from condmon.errors import UsageError
from condmon.learning import first
from condmon.replaying import compare, live, report
from condmon.replaying.compare import Said
from condmon.replaying.course import Courses
from condmon.replaying.paced import paced, within
from condmon.replaying.progress import Progress
from condmon.replaying.stored import stored
from condmon.replaying.told import Told, newest, outputs, replay

__all__ = ["arguments", "outputs", "replay", "run"]

SPEED_MAX = 1e6


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    add = parser.add_argument
    add("files", nargs="*", type=Path, metavar="FILE",
        help="recordings (JSON lines) and captures (Parquet, CSV), packed or not; without any, "
        "what the daemon recorded")  # fmt: skip
    add("-c", "--config", type=Path, default=Path("condmon.toml"), metavar="FILE",
        help="the configuration (default: condmon.toml)")  # fmt: skip
    spans.arguments(parser)
    add("--machine", metavar="M", help="show this machine alone")
    add("--speed", type=float, metavar="N", help="n times life, telling things as they happen "
        "(default: as fast as it goes)")  # fmt: skip
    add("--against", type=Path, metavar="OTHER.toml", help="what would be different under this "
        "configuration: alerts only here, only there, earlier, later, messages a week")  # fmt: skip
    add("--compare-live", action="store_true", help="whether the replay says what the daemon "
        "said then, or the first thing in which they part; reads the store")  # fmt: skip
    add("--report", type=Path, metavar="OUT.html", help="also a page with charts that needs "
        "nothing else; a new file")  # fmt: skip
    add("--json", action="store_true", help="one JSON object a line")
    add("--entries", action="store_true", help="also the entries of the event log")
    add("--samples", action="store_true", help="also every sample as it was taken")
    capture.mapping.arguments(parser)
    first.arguments(parser)
    parser.epilog = (
        "With --from or --day the engine knows nothing of what came before. Exit code 0: read to "
        "the end; 1: a file was cut off or damaged, what came before is shown, or --compare-live "
        "found a difference; 2: wrong usage or configuration."
    )


def run(args: Namespace) -> int:
    """Replay and print what would have been said; 1 when a file was cut off."""
    config = load(args.config)
    _check(args, config.settings)
    if args.compare_live:
        return _compare_live(args, config)
    other = load(args.against) if args.against else None
    clock = Clock()
    done = _replayed(args, config, clock, tell=True)
    there = None
    if other:
        changed = Namespace(**{**vars(args), "config": args.against, "speed": None})
        there = Said.of(_replayed(changed, other, clock, tell=False).told)
    _print_end(args, done, there)
    if args.report:
        _report(args, done, there)
    for text in done.notes.warnings:
        print(f"condmon: warning: {text}", file=sys.stderr)
    return 1 if done.notes.cut else 0


class _Done(NamedTuple):
    """A replay that has come to its end."""

    told: Told
    summary: dict[str, object]
    notes: capture.Notes
    courses: Courses | None


def _replayed(args: Namespace, config: Config, clock: Clock, *, tell: bool) -> _Done:
    settings, notes = config.settings, capture.Notes()
    began_s = clock.monotonic_s()
    told = Told(settings, args.machine)
    courses = Courses(settings) if args.report and tell else None
    batches = first.with_models(_batches(args, config, notes), args)
    if args.speed:
        batches = paced(batches, args.speed, clock.monotonic_s, threading.Event().wait)
    progress = Progress(clock.monotonic_s)
    engine = Engine(settings, judged=True)
    say = _sayer(args, told, settings) if tell else None
    for output in outputs(told.count(batches), engine):
        told.take(output)
        if courses and isinstance(output, Judged):
            courses.add(output)
        if say:
            say(output)
        if progress.due:
            at = "" if notes.last_us is None else settings.calendar.text(notes.last_us)
            part = notes.bytes_read / max(notes.bytes_total, 1)
            progress.show(part, at, told.samples, "samples")
    progress.end()
    return _Done(told, told.summary(engine, notes, clock.monotonic_s() - began_s), notes, courses)


def _batches(args: Namespace, config: Config, notes: capture.Notes) -> Iterator[Batch]:
    """What the files hold, or the store where no file is named; the span that was asked for."""
    settings, calendar = config.settings, config.settings.calendar
    span = spans.asked(args, settings)
    if not args.files:
        return _watched(stored(config.store.path, settings, span or spans.ALL), span, notes)
    zone = calendar.offset_s if isinstance(calendar, SiteCalendar) else None
    batches = capture.read(
        args.files, settings, notes, zone, config.broker.payload_bytes_max,
        capture.mapping.asked(args),
    )  # fmt: skip
    batches = ahead(batches)
    return within(batches, span) if span else batches


def _watched(
    batches: Iterator[Batch], span: spans.Span | None, notes: capture.Notes
) -> Iterator[Batch]:
    """Note how far time has come, for the line that says how far the work is."""
    from_us = span[0] if span else 0
    for batch in batches:
        notes.last_us = max(map(newest, batch), default=notes.last_us or 0)
        from_us = from_us or notes.last_us
        if span and span[1] < spans.ALL[1]:
            notes.bytes_read, notes.bytes_total = notes.last_us - from_us, span[1] - from_us
        yield batch


def _sayer(args: Namespace, told: Told, settings: Settings) -> Callable[[Output], None]:
    """What is printed while the replay goes on."""

    def say(output: Output) -> None:
        if isinstance(output, Judged):
            if args.samples:
                _print(sample_rows(output, settings, args.machine), args.json)
        elif isinstance(output, Entry):
            if args.entries and told.shows(output.machine):
                _print([entry_row(output)], args.json)
        elif args.speed and isinstance(output, Alert) and told.shows(output.machine):
            _print([alert_row(output)], args.json)
        elif args.speed and isinstance(output, Message) and told.concerns(output):
            _print([message_row(output)], args.json)
        if args.speed:
            sys.stdout.flush()

    return say


def _print_end(args: Namespace, done: _Done, there: Said | None) -> None:
    told, here = done.told, Said.of(done.told)
    if not args.json:
        if there:
            print(compare.readable(here, there, _names(args), told.settings.calendar), "\n")
        else:
            page = readable(told.in_order(), told.messages, done.summary, told.settings)
            print(page)
        return
    if not args.speed:
        _print([alert_row(alert) for alert in told.in_order()], True)
        _print([message_row(message) for message in told.messages], True)
    if there:
        _print(compare.rows(here, there), True)
    _print([done.summary], True)


def _names(args: Namespace) -> tuple[str, str]:
    if args.config.name != args.against.name:
        return args.config.name, args.against.name
    return str(args.config), str(args.against)


def _report(args: Namespace, done: _Done, there: Said | None) -> None:
    told = done.told
    assert done.courses is not None
    files = ", ".join(path.name for path in args.files) or "what the daemon recorded"
    about = [f"Replayed: {files}. Configuration: {args.config.name}."]
    compared = ""
    if there:
        compared = compare.readable(
            Said.of(told), there, _names(args), told.settings.calendar
        )  # fmt: skip
    report.write(args.report, told, done.courses, done.summary, about, compared)
    print(f"condmon: the report is in {args.report}", file=sys.stderr)


def _compare_live(args: Namespace, config: Config) -> int:
    span = spans.asked(args, config.settings)
    assert span is not None
    found = live.compare(config, span)
    if args.json:
        _print([live.row(found)], True)
    else:
        print("\n".join(live.readable(found, config.settings.calendar)))
    return 1 if found.parts else 0


def _check(args: Namespace, settings: Settings) -> None:
    """Refuse what does not go together. Raises UsageError."""
    _known(args.machine, settings)
    if args.speed is not None and not 0 < args.speed <= SPEED_MAX:
        raise UsageError(f"--speed {args.speed:g}: give a number above 0, such as 60")
    span = spans.asked(args, settings)
    if args.compare_live:
        if args.files or args.against or args.report or args.learn:
            raise UsageError("--compare-live looks at the store alone: no file, --against, "
                             "--report or --learn goes with it")  # fmt: skip
        if span is None:
            raise UsageError("--compare-live: say which day, --day DAY, or --from and --to")
    elif not args.files:
        if span is None:
            raise UsageError("name a file, or with --day, --from and --to a time that the daemon "
                             "recorded")  # fmt: skip
        if args.learn:
            raise UsageError("--learn learns from files; name them")
    if args.report:
        report.new_file(args.report)


def _known(machine: str | None, settings: Settings) -> None:
    ids = [one.id for one in settings.machines]
    if machine is not None and machine not in {*ids, CONDMON}:
        raise UsageError(
            f"--machine {machine}: the configuration has no such machine"
            f"{nearest(machine, ids)}; it has {', '.join(ids)}"
        )


def _print(rows: Iterable[dict[str, object]], as_json: bool) -> None:
    sys.stdout.write("".join(lines(rows, as_json=as_json)))
