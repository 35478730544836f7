"""A block: consecutive ticks of one machine as columns. What duty, checks and models see."""

from functools import cached_property
from typing import NamedTuple, Self

import numpy as np

from condmon.engine.grouping import rows_of_each
from condmon.engine.logic import Column
from condmon.engine.minutely import Minutely, none
from condmon.engine.records import F64, I64, SECOND_US, Flags
from condmon.engine.settings import Machine


class Readings(NamedTuple):
    """Samples of one machine sorted by time; all of shape (m,)."""

    column: I64  # index into Machine.signals
    at_us: I64
    value: F64  # NaN: the source says that it has no value
    usable: Flags  # False: bad or suspect

    def pick(self, rows: slice | I64) -> Self:
        """Some of the rows."""
        return type(self)(self.column[rows], self.at_us[rows], self.value[rows], self.usable[rows])

    @classmethod
    def joined(cls, parts: "list[Readings]") -> "Readings":
        """All parts in one, in the order given."""
        if not parts:
            none = np.empty(0, np.int64)
            return cls(none, none, np.empty(0), np.empty(0, bool))
        return cls(
            np.concatenate([p.column for p in parts]),
            np.concatenate([p.at_us for p in parts]),
            np.concatenate([p.value for p in parts]),
            np.concatenate([p.usable for p in parts]),
        )


class Block:
    """`n` ticks from tick `first` on (a tick is one second, counted from 1970).

    Attributes
    ----------
    value : (n, k) float
        Held value of each signal at the end of each tick; states 0 or 1; NaN where unknown.
    age_s : (n, k) float
        Seconds since the last usable value, inf before the first.
    heard_s : (n, k) float
        Seconds since anything at all arrived from the signal, inf before the first.
    increase : (n, k) float
        How far a counter moved on in the tick; 0 elsewhere.
    watch_s : (n,) int
        For how many seconds condmon has been watching without a hole, link down counting as one.
    duty : (n,) int
        Index into the machine's duties, -1 where unknown; set by the duty stage.
    blind_s : int
        Seconds that were skipped just before the first tick, 0 if it follows the last block.
    minutes : Minutely
        The minutes that end in this block; set after the duty.
    stuck : dict
        Name of each signal that repeats one value -> at which ticks, (n,); set before the duty.
    """

    def __init__(
        self,
        machine: Machine,
        first: int,
        value: F64,
        age_s: F64,
        heard_s: F64,
        increase: F64,
        watch_s: I64,
        readings: Readings,
        blind_s: int,
    ) -> None:
        self.machine, self.first, self.n = machine, first, len(value)
        self.value, self.age_s, self.heard_s, self.increase = value, age_s, heard_s, increase
        self.watch_s, self.readings, self.blind_s = watch_s, readings, blind_s
        self.duty: I64 = np.full(self.n, -1, np.int64)
        self.minutes: Minutely = none(value.shape[1])
        self.stuck: dict[str, Flags] = {}
        self.column = {s.name: i for i, s in enumerate(machine.signals)}
        self.bearings: dict[object, F64] = {}  # kept by bearing_minutes.py for who asks again
        self._read: dict[str, tuple[I64, F64]] = {}

    @property
    def end_us(self) -> int:
        """The instant at which the last tick ends."""
        return (self.first + self.n) * SECOND_US

    def at_us(self, row: int) -> int:
        """The instant at which the tick of a row begins."""
        return (self.first + row) * SECOND_US

    def value_of(self, name: str) -> Column:
        """Held values of a signal, shape (n,), NaN where unknown."""
        return self.value[:, self.column[name]]

    def age_of(self, name: str) -> Column:
        """Seconds since the last usable value, shape (n,), NaN before the first."""
        age = self.age_s[:, self.column[name]]
        return np.where(np.isinf(age), np.nan, age)

    def increase_of(self, name: str) -> Column:
        """How far a counter moved on in each tick, shape (n,)."""
        return self.increase[:, self.column[name]]

    def readings_of(self, name: str) -> tuple[I64, F64]:
        """Instants and values of a signal's usable samples in this block, in order of time."""
        found = self._read.get(name)
        if found is None:
            r = self.readings
            rows = self.rows_by_column.get(self.column[name], np.empty(0, np.int64))
            rows = rows[r.usable[rows] & ~np.isnan(r.value[rows])]
            found = self._read[name] = r.at_us[rows], r.value[rows]
        return found

    def part(self, start: int, stop: int) -> "Block":
        """Rows [start, stop) as a block of their own, without its minutes."""
        if (start, stop) == (0, self.n):
            return self
        rows, r = slice(start, stop), self.readings
        span_us = [(self.first + start) * SECOND_US, (self.first + stop) * SECOND_US]
        a, b = np.searchsorted(r.at_us, span_us).tolist()
        made = Block(
            self.machine,
            self.first + start,
            self.value[rows],
            self.age_s[rows],
            self.heard_s[rows],
            self.increase[rows],
            self.watch_s[rows],
            r.pick(slice(a, b)),
            0 if start else self.blind_s,
        )
        made.duty = self.duty[rows]
        return made

    def hide(self, column: int, start: int, stop: int) -> None:
        """Make a signal unknown at rows [start, stop); before any other stage has looked."""
        self.value[start:stop, column] = np.nan
        r = self.readings
        low, high = (self.first + start) * SECOND_US, (self.first + stop) * SECOND_US
        inside = (r.column == column) & (r.at_us >= low) & (r.at_us < high)
        self.readings = r.pick(np.flatnonzero(~inside))
        self.__dict__.pop("rows_by_column", None)  # found anew when next asked for
        self._read.clear()

    def wild_rows(self, name: str) -> I64:
        """Rows of a signal's readings that cannot be used, one for each reading."""
        wild = self._wild_by_column.get(self.column[name])
        return np.empty(0, np.int64) if wild is None else wild

    @cached_property
    def _wild_by_column(self) -> dict[int, I64]:
        r = self.readings
        rows = np.flatnonzero(~r.usable)
        at = r.at_us[rows] // SECOND_US - self.first
        return {int(column): at[r.column[rows] == column] for column in np.unique(r.column[rows])}

    @cached_property
    def tens(self) -> list[Minutely]:
        """The minutes of this block, parted at the full ten minutes."""
        m = self.minutes
        if not len(m.minute):
            return []
        edges = (np.flatnonzero(np.diff(m.minute // 10)) + 1).tolist()
        return [m.cut(a, b) for a, b in zip([0, *edges], [*edges, len(m.minute)], strict=True)]

    @cached_property
    def rows_by_column(self) -> dict[int, I64]:
        """Rows of the readings of each column, in order of time."""
        return dict(rows_of_each(self.readings.column))
