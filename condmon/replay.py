"""`condmon replay`: recordings and captures through the very engine that watches live."""

import argparse
import sys
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from condmon import capture
from condmon.clock import Clock, SiteCalendar
from condmon.config import load
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert, Entry, Judged, Message, Output
from condmon.engine.records import (
    BAD,
    REASONS,
    REPEAT,
    SECOND_US,
    SUSPECT,
    Batch,
    Beacon,
    Record,
    Samples,
)
from condmon.engine.settings import CONDMON, Settings
from condmon.engine.words import nearest
from condmon.errors import UsageError
from condmon.learning import first
from condmon.replaytext import alert_row, entry_row, lines, message_row, readable, sample_rows

PROGRESS_EVERY_S = 0.5


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument(
        "files",
        nargs="+",
        type=Path,
        metavar="FILE",
        help="recordings (JSON lines) and captures (Parquet, CSV), packed or not",
    )
    parser.add_argument(
        "-c",
        "--config",
        type=Path,
        default=Path("condmon.toml"),
        metavar="FILE",
        help="the configuration (default: condmon.toml)",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object a line")
    parser.add_argument("--entries", action="store_true", help="also the entries of the event log")
    parser.add_argument("--samples", action="store_true", help="also every sample as it was taken")
    parser.add_argument("--machine", metavar="M", help="show this machine alone")
    first.arguments(parser)
    parser.epilog = (
        "Exit code 0: read to the end; 1: a file was cut off or damaged, what came before is "
        "shown; 2: wrong usage or configuration."
    )


def run(args: argparse.Namespace) -> int:
    """Replay the files and print what would have been said; 1 when a file was cut off."""
    config = load(args.config)
    settings = config.settings
    _known(args.machine, settings)
    clock = Clock()
    began_s = clock.monotonic_s()
    notes = capture.Notes()
    calendar = settings.calendar
    zone = calendar.offset_s if isinstance(calendar, SiteCalendar) else None
    batches = capture.read(
        args.files, settings, notes, zone, payload_bytes_max=config.broker.payload_bytes_max
    )
    batches = first.with_models(batches, args)
    told = Told(settings, args.machine)
    progress = _Progress(clock, notes, told)
    engine = Engine(settings, judged=True)
    for output in outputs(told.count(batches), engine):
        told.take(output)
        if args.samples and isinstance(output, Judged):
            _print(sample_rows(output, settings, args.machine), args.json)
        if args.entries and isinstance(output, Entry) and told.shows(output.machine):
            _print([entry_row(output)], args.json)
        progress.step()
    progress.end()
    summary = told.summary(engine, notes, clock.monotonic_s() - began_s)
    if args.json:
        _print([alert_row(alert) for alert in told.in_order()], True)
        _print([message_row(message) for message in told.messages], True)
        _print([summary], True)
    else:
        print(readable(told.in_order(), told.messages, summary, settings))
    for text in notes.warnings:
        print(f"condmon: warning: {text}", file=sys.stderr)
    return 1 if notes.cut else 0


def replay(records: Iterable[Batch], engine: Engine) -> list[Output]:
    """Push batches through an engine to the end of their time; give everything it said."""
    return list(outputs(records, engine))


def outputs(records: Iterable[Batch], engine: Engine) -> Iterator[Output]:
    """Like `replay`, but output by output, so that a long recording needs no memory for all.

    At the end one more beacon lets the last seconds be judged, and the notes that wait are given
    as the digest that would be sent next.
    """
    last_us = 0
    for batch in records:
        last_us = max([last_us, *map(_newest, batch)])
        yield from engine.push(batch)
    if last_us:
        late_us = round(engine.settings.lateness_s * SECOND_US)
        yield from engine.push([Beacon(last_us + late_us + SECOND_US)])
    yield from engine.flush_digest()


def _newest(record: Record) -> int:
    if isinstance(record, Samples):
        return int(record.arrived_us.max()) if len(record) else 0
    return record.at_us


@dataclass(slots=True)
class Told:
    """What a replay has said so far, of all machines or of one."""

    settings: Settings
    machine: str | None = None
    alerts: dict[str, Alert] = field(default_factory=dict)  # last state of each
    messages: list[Message] = field(default_factory=list)
    reasons: Counter[str] = field(default_factory=Counter)
    records: int = 0
    samples: int = 0
    entries: int = 0

    def shows(self, machine: str) -> bool:
        """Whether a machine's outputs are wanted."""
        return self.machine is None or machine == self.machine

    def count(self, batches: Iterable[Batch]) -> Iterator[Batch]:
        """Count records on their way to the engine; time passing is none."""
        for batch in batches:
            for record in batch:
                if isinstance(record, Samples):
                    self.records += len(record)
                elif not isinstance(record, Beacon):
                    self.records += 1
            yield batch

    def take(self, output: Output) -> None:
        """Keep an output, or count it."""
        match output:
            case Alert() if self.shows(output.machine):
                self.alerts[output.id] = output
            case Message() if self._concerns(output):
                self.messages.append(output)
            case Entry() if self.shows(output.machine):
                self.entries += 1
            case Judged():
                self._tally(output.samples)
            case _:
                pass

    def in_order(self) -> list[Alert]:
        """Alerts by the time they were raised."""
        return sorted(self.alerts.values(), key=lambda alert: (alert.raised_us, alert.id))

    def summary(self, engine: Engine, notes: capture.Notes, seconds: float) -> dict[str, object]:
        """Make the last line: what was read and what was said."""
        return {
            "kind": "summary", "records": self.records, "ticks": engine.ticks_done,
            "alerts": len(self.alerts), "messages": len(self.messages),
            "seconds": round(seconds, 3), "samples": self.samples,
            "refused": sum(self.reasons.values()), "reasons": dict(sorted(self.reasons.items())),
            "entries": self.entries, "lines_bad": notes.lines_bad,
            "rows_unknown": notes.rows_unknown, "complete": not notes.cut,
        }  # fmt: skip

    def _concerns(self, message: Message) -> bool:
        if self.shows(message.machine):
            return True
        return any(alert in self.alerts for alert in message.alerts)

    def _tally(self, samples: Samples) -> None:
        self.samples += len(samples)
        put_aside = (samples.quality == BAD) | ((samples.quality == SUSPECT) & (samples.reason > 0))
        first = samples.mark & REPEAT == 0
        count = np.bincount(samples.reason[put_aside & first], minlength=len(REASONS))
        self.reasons.update({REASONS[at]: int(count[at]) for at in np.flatnonzero(count)})


class _Progress:
    """A line on a terminal that says how far the replay is; nothing elsewhere."""

    def __init__(self, clock: Clock, notes: capture.Notes, told: Told) -> None:
        self._clock, self._notes, self._told = clock, notes, told
        self._shown = sys.stderr.isatty()
        self._began_s = self._next_s = clock.monotonic_s()

    def step(self) -> None:
        """Show how far it is, twice a second at most."""
        if not self._shown or self._clock.monotonic_s() < self._next_s:
            return
        now_s = self._clock.monotonic_s()
        self._next_s = now_s + PROGRESS_EVERY_S
        notes, gone_s = self._notes, max(now_s - self._began_s, 0.001)
        part = 100 * notes.bytes_read / max(notes.bytes_total, 1)
        at = "" if notes.last_us is None else self._told.settings.calendar.text(notes.last_us)
        rate = self._told.samples / gone_s
        sys.stderr.write(f"\r\x1b[K{part:3.0f} %  {at}  {rate:,.0f} samples/s")
        sys.stderr.flush()

    def end(self) -> None:
        """Take the line away."""
        if self._shown:
            sys.stderr.write("\r\x1b[K")


def _known(machine: str | None, settings: Settings) -> None:
    ids = [one.id for one in settings.machines]
    if machine is not None and machine not in {*ids, CONDMON}:
        raise UsageError(
            f"--machine {machine}: the configuration has no such machine"
            f"{nearest(machine, ids)}; it has {', '.join(ids)}"
        )


def _print(rows: Iterable[dict[str, object]], as_json: bool) -> None:
    sys.stdout.write("".join(lines(rows, as_json=as_json)))
