"""`History`: what was measured, read across sealed days and what is not sealed yet.

Short spans come as samples, long ones as the least and greatest value of each column of a chart,
out of minutes or hours where these are fine enough. Never writes. pyarrow loads with the first
sealed day that is read.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple, overload

import numpy as np

from condmon.engine.records import F64, GOOD, I64, SECOND_US, U8
from condmon.engine.settings import Signal
from condmon.history.places import Kind, Places
from condmon.history.recordings import (
    Columns,
    Name,
    Stream,
    day_of,
    day_start_us,
    offset_at,
    settled,
    streams,
)
from condmon.history.seal import HOUR_US, MINUTE_US, once
from condmon.history.sheets import Sheet, Table

DAY_US = 24 * HOUR_US
BEFORE_US = 10 * SECOND_US  # arrival may be counted a little before a sample's own time
BEHIND_US = 900 * SECOND_US  # what arrives later than this is found once its day is sealed
ROWS_AT_ONCE = 200_000
POINTS_MAX = 10_000


class Reading(NamedTuple):
    """Samples of one signal in order of time; all of shape (n,)."""

    at_us: I64
    value: F64  # NaN where there was none
    quality: U8


class Strip(NamedTuple):
    """Columns of a chart, `low` and `high` of shape (n,): NaN where nothing is known."""

    from_us: int
    step_us: int
    low: F64
    high: F64


class Summary(NamedTuple):
    """Good values minute by minute or hour by hour; all of shape (n,), spans without are absent."""

    at_us: I64
    samples: I64  # how many went into it
    least: F64
    mean: F64
    greatest: F64
    last: F64


class History:
    """Samples of a data folder.

    Parameters
    ----------
    folder : Path
        The data folder.
    signals : sequence of Signal
        The present signals; of what is not sealed yet only these are read.
    """

    def __init__(self, folder: Path, signals: Sequence[Signal]) -> None:
        self._places = Places(folder)
        self._names: list[Name] = [(signal.machine, signal.name) for signal in signals]
        self._states = states_of(signals)

    @overload
    def read(self, machine: str, signal: str, from_us: int, to_us: int) -> Reading: ...
    @overload
    def read(
        self, machine: str, signal: str, from_us: int, to_us: int, points: int, hold_us: int = 0
    ) -> Strip: ...
    def read(
        self,
        machine: str,
        signal: str,
        from_us: int,
        to_us: int,
        points: int | None = None,
        hold_us: int = 0,
    ) -> Reading | Strip:
        """Samples of [from_us, to_us), or with `points` a chart of at most so many columns.

        A chart's columns are whole seconds, minutes or hours, so its ends may reach over the span;
        a value is carried on over empty columns for `hold_us`. Raises StoreError, DamagedError.
        """
        if points is not None:
            return self._strip(machine, signal, from_us, to_us, points, hold_us)
        tables = [self._samples(day, machine, signal) for day in self._days(from_us, to_us)]
        tables += [_of_one(piece) for piece in self._unsealed(from_us, to_us, [(machine, signal)])]
        if not tables:
            return Reading(np.empty(0, np.int64), np.empty(0), np.empty(0, np.uint8))
        names = ("time", "value", "quality")
        whole = once({name: np.concatenate([t[name] for t in tables]) for name in names})
        first, last = np.searchsorted(whole["time"], [from_us, to_us])
        return Reading(*(whole[name][first:last] for name in names))

    def minutes(self, machine: str, signal: str, from_us: int, to_us: int) -> Summary:
        """Minutes of sealed days that begin in [from_us, to_us)."""
        return self._summary("minutes", machine, signal, from_us, to_us)

    def hours(self, machine: str, signal: str, from_us: int, to_us: int) -> Summary:
        """Hours of sealed days that begin in [from_us, to_us)."""
        return self._summary("hours", machine, signal, from_us, to_us)

    def span_us(self) -> tuple[int, int] | None:
        """First instant and the end of what may hold samples, None where there is nothing."""
        days = self._places.days() + [stream.day for stream in streams(self._places.folder)]
        return (day_start_us(min(days)), day_start_us(max(days)) + DAY_US) if days else None

    def machines(self, from_us: int, to_us: int) -> list[str]:
        """Machines of the configuration and of the sealed days of a span."""
        sealed = {m for day in self._days(from_us, to_us) for m in self._places.machines(day)}
        return sorted(sealed | {machine for machine, _ in self._names})

    def span(self, from_us: int, to_us: int, machines: Sequence[str]) -> tuple[list[Name], Columns]:
        """All samples of some machines in [from_us, to_us), in order of time, with their names."""
        names: dict[Name, list[Table]] = {}
        for day in self._days(from_us, to_us):
            for machine in machines:
                for signal in self._signals(day, machine):
                    table = self._samples(day, machine, signal)
                    names.setdefault((machine, signal), []).append(table)
        wanted = [name for name in self._names if name[0] in machines]
        for piece in self._unsealed(from_us, to_us, wanted):
            for number in np.unique(piece.number).tolist():
                rows = _of_one(piece.pick(piece.number == number))
                names.setdefault(wanted[number], []).append(rows)
        return _one_after_another(names, from_us, to_us)

    # sealed days

    def _days(self, from_us: int, to_us: int) -> list[str]:
        """Days of the span of which there are files or parts."""
        found = {*self._places.days(), *(day for day, _ in self._places.unfinished())}
        first, last = day_of(from_us), day_of(max(from_us, to_us - 1))
        return sorted(day for day in found if first <= day <= last)

    def _paths(self, day: str, machine: str) -> list[Path]:
        whole = self._places.sheet("samples", day, machine)
        return [*([whole] if whole.exists() else []), *self._places.parts(day, machine)]

    def _signals(self, day: str, machine: str) -> list[str]:
        found: set[str] = set()
        for path in self._paths(day, machine):
            with Sheet(path) as sheet:
                found |= set(sheet.signals)
        return sorted(found)

    def _samples(self, day: str, machine: str, signal: str) -> Table:
        tables: list[Table] = []
        for path in self._paths(day, machine):
            with Sheet(path) as sheet:
                tables.append(sheet.read(signal))
        if len(tables) == 1:
            return tables[0]
        none = {"time": np.empty(0, np.int64), "value": np.empty(0), "quality": np.empty(0, "u1")}
        return {name: np.concatenate([none[name], *(t[name] for t in tables)]) for name in none}

    def _summary(self, kind: Kind, machine: str, signal: str, from_us: int, to_us: int) -> Summary:
        found: list[Table] = []
        for day in self._places.days(kind):
            path = self._places.sheet(kind, day, machine)
            if day_of(from_us) <= day <= day_of(max(from_us, to_us - 1)) and path.exists():
                with Sheet(path) as sheet:
                    found.append(sheet.read(signal))
        names = ("time", "count", "least", "mean", "greatest", "last")
        columns = [np.concatenate([np.empty(0), *(t[name] for t in found)]) for name in names]
        at_us = np.concatenate([np.empty(0, np.int64), *(t["time"] for t in found)])
        inside = (at_us >= from_us) & (at_us < to_us)
        rest = [column[inside] for column in columns[2:]]
        return Summary(at_us[inside], columns[1][inside].astype(np.int64), *rest)

    # what is not sealed

    def _unsealed(self, from_us: int, to_us: int, wanted: Sequence[Name]) -> Iterator[Columns]:
        """Samples of the recordings that stand in no file yet; `number` counts in `wanted`."""
        chain: list[Stream] = []
        for stream in streams(self._places.folder):
            chain = [*chain[-1:], stream]
            if self._places.is_sealed(stream):
                continue
            after = offset_at(stream, from_us - BEFORE_US)
            until = offset_at(stream, to_us + BEHIND_US)
            if until <= after:
                continue
            for piece in settled(chain, wanted, self._states, after, until, ROWS_AT_ONCE):
                yield piece.pick((piece.at_us >= from_us) & (piece.at_us < to_us))

    # charts

    def _strip(
        self, machine: str, signal: str, from_us: int, to_us: int, points: int, hold_us: int
    ) -> Strip:
        points = max(1, min(points, POINTS_MAX))
        step_us = _step_us(max(to_us - from_us, 1), points)
        first = from_us // step_us
        count = max(1, -(-(to_us - first * step_us) // step_us))
        low, high = np.full(count, np.nan), np.full(count, np.nan)
        last, last_us = low.copy(), np.full(count, -1, np.int64)
        start_us, end_us = first * step_us, (first + count) * step_us
        for at_us, least, greatest, newest in self._extremes(
            machine, signal, max(0, start_us - hold_us), end_us, step_us
        ):
            cell = np.maximum((at_us - start_us) // step_us, -1)
            inside = (cell >= 0) & (cell < count)
            np.fmin.at(low, cell[inside], least[inside])
            np.fmax.at(high, cell[inside], greatest[inside])
            if hold_us:
                rows = np.flatnonzero(cell < count)
                _keep_newest(last, last_us, cell[rows], at_us[rows], newest[rows])
        if hold_us:
            _hold(low, high, last, last_us, start_us, step_us, hold_us)
        return Strip(start_us, step_us, low, high)

    def _extremes(
        self, machine: str, signal: str, from_us: int, to_us: int, step_us: int
    ) -> Iterator[tuple[I64, F64, F64, F64]]:
        """(time, least, greatest, last) of good samples, minutes or hours over a span."""
        every_us = next((e for e in (HOUR_US, MINUTE_US) if step_us % e == 0), 0)
        kind: Kind = "hours" if every_us == HOUR_US else "minutes"
        for day in sorted({*self._days(from_us, to_us), *self._places.days(kind)}):
            start_us = day_start_us(day)
            if not from_us - DAY_US < start_us < to_us:
                continue
            if every_us and not self._places.parts(day, machine):
                whole = self._summary(kind, machine, signal, start_us, start_us + DAY_US)
                yield whole.at_us, whole.least, whole.greatest, whole.last
            else:
                yield _good(self._samples(day, machine, signal))
        for piece in self._unsealed(from_us, to_us, [(machine, signal)]):
            yield _good(_of_one(piece))


def states_of(signals: Sequence[Signal]) -> frozenset[Name]:
    """Names of the signals of which a kept message is as good as a new one."""
    return frozenset((s.machine, s.name) for s in signals if s.kind in {"state", "moment"})


def _of_one(piece: Columns) -> Table:
    return {"time": piece.at_us, "value": piece.value, "quality": piece.quality}


def _good(table: Table) -> tuple[I64, F64, F64, F64]:
    good = table["quality"] == GOOD
    value = table["value"][good]
    return table["time"][good], value, value, value


def _one_after_another(
    names: dict[Name, list[Table]], from_us: int, to_us: int
) -> tuple[list[Name], Columns]:
    """Tables of many signals as columns in order of time."""
    listed = sorted(names)
    parts: list[Columns] = []
    for number, name in enumerate(listed):
        keys = ("time", "value", "quality")
        whole = once({key: np.concatenate([t[key] for t in names[name]]) for key in keys})
        first, last = np.searchsorted(whole["time"], [from_us, to_us])
        rows = [whole[key][first:last] for key in keys]
        numbers = np.full(last - first, number, np.int64)
        parts.append(Columns(numbers, rows[0], rows[1], rows[2]))
    if not parts:
        none = np.empty(0, np.int64)
        return listed, Columns(none, none, np.empty(0), np.empty(0, np.uint8))
    joined = Columns(*(np.concatenate(column) for column in zip(*parts, strict=True)))
    return listed, joined.pick(np.argsort(joined.at_us, kind="stable"))


def _step_us(span_us: int, points: int) -> int:
    """Width of a column: whole seconds, minutes or hours, as fine as `points` allows."""
    unit = SECOND_US
    for coarser in (MINUTE_US, HOUR_US):
        if span_us > points * coarser:
            unit = coarser
    return max(1, -(-span_us // (points * unit))) * unit


def _keep_newest(last: F64, last_us: I64, cell: I64, at_us: I64, value: F64) -> None:
    """Newest value of every column; what came before the span goes into the first one."""
    order = np.argsort(at_us, kind="stable")
    cell, at_us, value = np.maximum(cell[order], 0), at_us[order], value[order]
    newer = at_us >= last_us[cell]
    last[cell[newer]], last_us[cell[newer]] = value[newer], at_us[newer]


def _hold(
    low: F64, high: F64, last: F64, last_us: I64, start_us: int, step_us: int, hold_us: int
) -> None:
    """Carry the newest value on over empty columns, as long as it counts."""
    full = last_us >= 0
    held = np.maximum.accumulate(np.where(full, np.arange(len(last)), -1))
    place = np.maximum(held, 0)
    begins_us = start_us + np.arange(len(last)) * step_us
    counts = (held >= 0) & (begins_us - last_us[place] <= hold_us) & np.isnan(low)
    low[counts], high[counts] = last[place][counts], last[place][counts]
