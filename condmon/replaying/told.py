"""Runs batches through an engine to their end and keeps what was said."""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from condmon import capture
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
from condmon.engine.settings import Settings

DAY_US = 86_400 * SECOND_US
WEEK_US = 7 * DAY_US


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
        last_us = max([last_us, *map(newest, batch)])
        yield from engine.push(batch)
    yield from ending(engine, last_us)


def ending(engine: Engine, last_us: int) -> Iterator[Output]:
    """What an engine says once nothing more comes after `last_us` (0: nothing came)."""
    if last_us:
        late_us = round(engine.settings.lateness_s * SECOND_US)
        yield from engine.push([Beacon(last_us + late_us + SECOND_US)])
    yield from engine.flush_digest()


def newest(record: Record) -> int:
    """When the last of a record reached us, 0 for nothing."""
    if isinstance(record, Samples):
        return int(record.arrived_us.max()) if len(record) else 0
    return record.at_us


def oldest(record: Record) -> int:
    """When the first of a record reached us, 0 for nothing."""
    if isinstance(record, Samples):
        return int(record.arrived_us.min()) if len(record) else 0
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
    first_us: int = 0
    last_us: int = 0

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
                self.first_us = self.first_us or oldest(record)
                self.last_us = max(self.last_us, newest(record))
            yield batch

    def take(self, output: Output) -> None:
        """Keep an output, or count it."""
        match output:
            case Alert() if self.shows(output.machine):
                self.alerts[output.id] = output
            case Message() if self.concerns(output):
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

    def concerns(self, message: Message) -> bool:
        """Whether a message is of a machine that is wanted."""
        if self.shows(message.machine):
            return True
        return any(alert in self.alerts for alert in message.alerts)

    def _tally(self, samples: Samples) -> None:
        self.samples += len(samples)
        put_aside = (samples.quality == BAD) | ((samples.quality == SUSPECT) & (samples.reason > 0))
        first = samples.mark & REPEAT == 0
        count = np.bincount(samples.reason[put_aside & first], minlength=len(REASONS))
        self.reasons.update({REASONS[at]: int(count[at]) for at in np.flatnonzero(count)})
