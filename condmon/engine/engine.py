"""The engine: records in, outputs out. Read `push`; everything else hangs on it. Pure.

However a stream of records is cut into batches, the outputs are the same, in the same order: an
output stands where its cause stands, at the record that made it (a beacon for whatever the seconds
it closes bring).
"""

from collections.abc import Sequence
from itertools import groupby
from typing import Any, NamedTuple, Self

import numpy as np

from condmon.engine import records as rec
from condmon.engine.block import Readings
from condmon.engine.digest import Digest
from condmon.engine.flood import Flood, Found
from condmon.engine.health import itself
from condmon.engine.intake import Intake
from condmon.engine.logwords import Event, entry_of
from condmon.engine.outputs import Alert, Entry, Output
from condmon.engine.records import (
    SECOND_US,
    Action,
    Batch,
    Beacon,
    Filed,
    Gap,
    Health,
    Link,
    ModelOn,
    Record,
    Samples,
)
from condmon.engine.runs import Placed, cut_by_epoch, joined
from condmon.engine.servicebook.book import ServiceBook
from condmon.engine.servicebook.carry import CARRIED, Cargo, cargo_of, entry_of_cargo
from condmon.engine.settings import Settings
from condmon.engine.snapshot import SnapshotError, pack, unpack
from condmon.engine.view import View, view_of
from condmon.engine.watch import Watch, put_on

_STUCK = rec.REASONS.index("stuck at one value")

_DOES_NOT_FIT = (LookupError, TypeError, ValueError, AttributeError, ArithmeticError,
                 AssertionError)  # fmt: skip
"""What parts raise when they are handed a state that is not theirs."""


class _Stream(NamedTuple):
    """A run of samples and beacons in columns."""

    samples: Samples
    epoch: rec.I64  # beacons before each sample
    targets: list[int]  # first open tick after each beacon


class Engine:
    """All machines of a site.

    Parameters
    ----------
    settings : Settings
        Site, machines, signals, checks.
    judged : bool
        Also put out every sample as it was taken (time settled, quality judged).

    Attributes
    ----------
    now_us : int
        The last beacon, 0 before the first.
    ticks_done : int
        Closed seconds of all machines together.
    """

    def __init__(self, settings: Settings, *, judged: bool = False) -> None:
        self.settings, self._judged = settings, judged
        self._itself = itself(settings)
        machines = (*settings.machines, self._itself)
        self._intake = Intake(settings)
        self.servicebook = ServiceBook()
        self.watches = [Watch(settings, machine, self.servicebook) for machine in machines]
        self._watch_of = np.array([i for i, m in enumerate(machines) for _ in m.signals], np.int64)
        self._column_of = np.array([c for m in machines for c in range(len(m.signals))], np.int64)
        self._trace = np.array([s.kind == "trace" for s in settings.signals], bool)
        self._digest, self._flood = Digest(settings), Flood()
        self.now_us, self.ticks_done = 0, 0
        self._open: int | None = None  # first open tick

    def push(self, records: Batch) -> list[Output]:
        """Take records in arrival order and say what follows from them."""
        out: list[Output] = []
        for streams, group in groupby(records, key=_streams):
            if streams:
                out += self._stream(list(group))
            else:
                for record in group:
                    assert not isinstance(record, Samples | Beacon)
                    out += self._event(record)
        return out

    # samples and beacons, in columns

    def _stream(self, records: Sequence[Record]) -> list[Output]:
        stream = self._columns(records)
        placed: list[Placed] = []
        doubted = self._doubted()
        whole = self._take(stream, placed) if len(stream.samples) else None
        if stream.targets:
            self._close(stream.targets, placed)
        self._mark_doubt(whole, stream, doubted)
        placed.sort(key=lambda pair: pair[0])
        return [output for _, output in placed]

    def _columns(self, records: Sequence[Record]) -> _Stream:
        runs: list[Samples] = []
        epochs: list[rec.I64] = []
        targets: list[int] = []
        late = round(self.settings.lateness_s * SECOND_US)
        for record in records:
            if isinstance(record, Samples):
                if not len(record):
                    continue
                self._begin(int(record.arrived_us[0]))
                runs.append(record)
                epochs.append(np.full(len(record), len(targets), np.int64))
            elif isinstance(record, Beacon):
                self._begin(record.at_us - late)
                self.now_us = max(self.now_us, record.at_us)
                last = targets[-1] if targets else self._open
                targets.append(max(last or 0, (self.now_us - late) // SECOND_US))
        epoch = np.concatenate(epochs) if epochs else np.empty(0, np.int64)
        return _Stream(joined(runs), epoch, targets)

    def _begin(self, at_us: int) -> None:
        """The first record of all sets the first tick."""
        if self._open is None:
            self._open = at_us // SECOND_US
            for watch in self.watches:
                watch.ticks.begin(self._open)
            self._digest.begin(self._open)

    def _doubted(self) -> dict[int, list[tuple[int, bool]]]:
        """Signals that are in doubt already, each with its (epoch, in doubt) from there on."""
        return {
            signal.index: [(0, True)] for watch in self.watches for signal in watch.doubt.in_doubt()
        }

    def _mark_doubt(
        self, whole: Samples | None, stream: _Stream, doubted: dict[int, list[tuple[int, bool]]]
    ) -> None:
        """Good samples that came while their signal was in doubt are told as suspect, in place."""
        reached = np.array(stream.targets, np.int64)
        for watch in self.watches:
            for tick, signal, stuck in watch.doubt.take_news():
                beacon = int(np.searchsorted(reached, tick, side="right"))
                doubted.setdefault(signal, []).append((beacon + 1, stuck))
        if whole is None or not self._judged:
            return
        for signal, changes in doubted.items():
            here = whole.signal == signal
            flag = np.zeros(len(whole), bool)
            for epoch, stuck in changes:
                flag[stream.epoch >= epoch] = stuck
            rows = np.flatnonzero(here & flag & (whole.quality == rec.GOOD))
            whole.quality[rows], whole.reason[rows] = rec.SUSPECT, _STUCK

    def _take(self, stream: _Stream, placed: list[Placed]) -> Samples:
        run, epoch = stream.samples, stream.epoch
        taken = self._intake.take(run)
        placed += [((int(epoch[row]), 0, row), entry) for row, entry in taken.entries]
        closed = np.array([self._open, *stream.targets], np.int64)[epoch]
        mark = taken.mark.copy()
        late = (taken.at_us // SECOND_US < closed) | (mark & rec.HISTORICAL > 0)
        stroke = np.zeros(len(late), bool)
        if late.any():
            stroke = self._trace[run.signal] & late & (mark & rec.HISTORICAL == 0)
            late &= ~stroke  # an array of a stroke comes when the stroke is over
            mark[late & (mark & rec.REPEAT == 0)] |= rec.LATE
        whole = Samples(
            run.signal,
            run.arrived_us,
            run.own_us,
            taken.value,
            taken.quality.copy(),
            mark,
            taken.reason,
            run.raw,
        )
        if self._judged:
            placed += cut_by_epoch(whole, taken.at_us, epoch)
        at_us = np.where(stroke, closed * SECOND_US, taken.at_us) if stroke.any() else taken.at_us
        live = mark & (rec.LATE | rec.REPEAT) == 0
        good = taken.quality == rec.GOOD  # an odd date beside a good value is no bad value
        good |= (
            (taken.quality == rec.SUSPECT) & (taken.reason == 0) & (mark & rec.TIME_UNREADABLE > 0)
        )
        usable = good | (taken.quality == rec.NODATA)
        value = np.where(good, taken.value, np.nan)
        watch, column = self._watch_of[run.signal], self._column_of[run.signal]
        whole_of_one = len(watch) and bool(live.all()) and bool((watch == watch[0]).all())
        for i in [int(watch[0])] if whole_of_one else np.unique(watch[live]).tolist():
            readings = Readings(column, at_us, value, usable)
            if not whole_of_one:
                readings = readings.pick(np.flatnonzero(live & (watch == i)))
            self.watches[i].add(readings)
        for row, text in run.raw:
            if live[row] and usable[row]:  # what a control says in words
                self.watches[watch[row]].hear(int(column[row]), int(at_us[row]), text)
        return whole

    def _close(self, targets: list[int], placed: list[Placed]) -> None:
        reached = np.array(targets, np.int64)
        found: list[Found] = []
        for i, watch in enumerate(self.watches):
            done, out = watch.close(targets)
            self.ticks_done += done
            found += [(tick, i, n, output) for n, (tick, output) in enumerate(out)]
        last = len(self.watches)
        for tick, digest in self._digest.due(self.watches, targets[-1]):
            found.append((tick, last, 0, digest))
        for tick, i, n, output in self._flood.parted(found, targets[-1], last + 1):
            beacon = int(np.searchsorted(reached, tick, side="right"))
            placed.append(((beacon, 1, tick, i, n), output))
        self._open = targets[-1]

    # everything else, one by one

    def _event(self, record: Action | Filed | Health | Event) -> list[Output]:
        self._begin(record.at_us)
        if isinstance(record, Action):
            watch = self._watch_for(record)
            return [output for _, output in watch.act(record, self._tick)]
        if isinstance(record, Link):
            self._link(record)
        elif isinstance(record, Gap):
            for watch in self.watches:
                if record.machine in {None, watch.machine.id}:
                    watch.ticks.doubt_counters()
        elif isinstance(record, ModelOn):
            return [put_on(record, self.watches)]
        elif isinstance(record, Filed):
            return self._filed(record)
        elif isinstance(record, Health):
            self._health(record)
            return []
        return [entry_of(record)]

    def _filed(self, record: Filed) -> list[Output]:
        """Write into the service book; the machine it is about does what follows from it."""
        machines = {w.machine.id: w.machine.name for w in self.watches[:-1]}
        if record.what == CARRIED:
            return [self._carried(record)]
        told = self.servicebook.take(record, machines, self.counts())
        out: list[Output] = [told.entry]
        for watch in self.watches:
            if watch.machine.id == record.machine and not told.refused:
                out += [output for _, output in watch.filed(told, self._tick)]
        return out

    def _carried(self, record: Filed) -> Entry:
        """Take up book and counters that were carried over from before."""
        cargo, refused = cargo_of(record)
        if cargo:
            self.carry(cargo)
        return entry_of_cargo(record, refused)

    def carry(self, cargo: Cargo) -> None:
        """Go on with a book and counters of before; alerts and models are not among them."""
        self.servicebook.load(cargo.book)
        for watch in self.watches[:-1]:
            watch.carry(cargo.counts.get(watch.machine.id), cargo.days.get(watch.machine.id, []))

    @property
    def _tick(self) -> int:
        return (self._open or 0) - 1

    def _watch_for(self, action: Action) -> Watch:
        for watch in self.watches:
            if action.alert in watch.book.open or action.alert in watch.book.closed:
                return watch
        named = [watch for watch in self.watches if watch.machine.id == action.machine]
        return named[0] if named else self.watches[-1]

    def _link(self, record: Link) -> None:
        """The link is a state of condmon itself, and tells the machines whether anyone listens."""
        for watch in self.watches[:-1]:
            watch.ticks.link(up=record.up)
        self._of_itself(0, record.at_us, float(record.up))

    def _health(self, record: Health) -> None:
        """How condmon fares is a signal of condmon itself; a name nobody knows says nothing."""
        signals = self.watches[-1].machine.signals
        column = next((i for i, s in enumerate(signals) if s.name == record.name), 0)
        if column:
            self._of_itself(column, record.at_us, record.value)

    def _of_itself(self, column: int, at_us: int, value: float) -> None:
        at = np.array([max(at_us, (self._open or 0) * SECOND_US)], np.int64)
        where = np.array([column], np.int64)
        self.watches[-1].add(Readings(where, at, np.array([value]), np.ones(1, bool)))

    # looking in

    def open_alerts(self) -> list[Alert]:
        """Alerts that are not over, oldest first."""
        found = [alert for watch in self.watches for alert in watch.book.open.values()]
        return sorted(found, key=lambda alert: (alert.raised_us, alert.id))

    def view(self) -> View:
        """What is held at this moment: values with their ages, duties, checks. Changes nothing."""
        return view_of(self.watches, self.now_us)

    def usage(self) -> dict[str, dict[str, Any]]:
        """Hours, starts, cycles, travel and air of each machine; see `Usage.read`."""
        return {watch.machine.id: watch.usage.read() for watch in self.watches[:-1]}

    def counts(self) -> dict[str, dict[str, int]]:
        """The same as whole numbers by one name each: what lives and tasks are counted in."""
        return {watch.machine.id: watch.usage.flat() for watch in self.watches[:-1]}

    def cargo(self) -> Cargo:
        """Book and counters as they are now."""
        days = {watch.machine.id: watch.due.days for watch in self.watches[:-1]}
        return Cargo(self.servicebook.state(), self.counts(), days)

    def models_on(self) -> dict[tuple[str, str], str]:
        """(machine, kind) -> id of the fitted models that are on."""
        return {
            (watch.machine.id, kind): made
            for watch in self.watches
            for kind, (made, _) in watch.models.items()
        }

    def missing(self) -> list[tuple[str, str, str]]:
        """(machine, check, words) of the checks a machine could have with one more signal."""
        return [
            (watch.machine.id, check, text)
            for watch in self.watches
            for check, text in watch.missing
        ]

    def flush_digest(self) -> list[Output]:
        """The notes that wait, as the digest that would be sent next (a replay's end)."""
        return [output for _, output in self._digest.flush(self.watches, self._tick)]

    # stopping and going on

    def snapshot(self) -> bytes:
        """The whole carried state as plain bytes."""
        return pack(
            {
                "now_us": self.now_us,
                "ticks_done": self.ticks_done,
                "open": self._open,
                "intake": self._intake.state(),
                "digest": self._digest.state(),
                "flood": self._flood.state(),
                "servicebook": self.servicebook.state(),
                "watches": {watch.machine.id: watch.state() for watch in self.watches},
            },
            self.settings.digest,
        )

    @classmethod
    def restore(cls, settings: Settings, blob: bytes, *, judged: bool = False) -> Self:
        """An engine that goes on where `snapshot` was taken.

        Raises
        ------
        SnapshotError
            If the bytes are damaged, of another version, or made under another configuration.
        """
        state: dict[str, Any] = unpack(blob, settings.digest)
        engine = cls(settings, judged=judged)
        try:
            engine.now_us, engine.ticks_done = state["now_us"], state["ticks_done"]
            engine._open = state["open"]
            engine._intake.load(state["intake"])
            engine._digest.load(state["digest"])
            engine._flood.load(state["flood"])
            engine.servicebook.load(state["servicebook"])
            for watch in engine.watches:
                watch.load(state["watches"][watch.machine.id])
        except _DOES_NOT_FIT as error:
            raise SnapshotError("the snapshot does not fit this condmon") from error
        return engine


def _streams(record: Record) -> bool:
    return isinstance(record, Samples | Beacon)
