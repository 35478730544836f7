"""Every signal of a machine over a span as columns of a chart, read in one pass over the store.

What is not sealed yet is expensive to read, so all signals are read together there; sealed days
give their minutes and hours.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from condmon.engine.records import F64, GOOD, I64, SECOND_US
from condmon.engine.settings import Signal
from condmon.history.store import History
from condmon.ledger.traces import Traces

Span = tuple[int, int]
COLUMNS = 480
DAY_US = 86_400 * SECOND_US
RECENT_US = 2 * DAY_US
"""What is younger than this at the end of the store may not be sealed yet."""

SLICE_US = 6 * 3600 * SECOND_US  # so that memory holds one piece
BEFORE_US = 6 * 3600 * SECOND_US
"""So much before the span is read for values that still count in it."""

HOLD_MAX_US = 26 * 3600 * SECOND_US


class Curve(NamedTuple):
    """Least and greatest value of each column of a span, shape (n,): NaN where nothing is known."""

    low: F64
    high: F64


class _Grid:
    """Collects samples into columns of equal width over a span, with what was last before it."""

    def __init__(self, span: Span, columns: int) -> None:
        self.from_us = span[0]
        self.step_us = max(SECOND_US, -(-(span[1] - span[0]) // columns))
        count = -(-(span[1] - span[0]) // self.step_us)
        self.low, self.high = np.full(count, np.nan), np.full(count, np.nan)
        self._last, self._last_us = np.full(count + 1, np.nan), np.full(count + 1, -1, np.int64)

    def add(self, at_us: I64, low: F64, high: F64, last: F64) -> None:
        """Take samples, or columns of another chart, in order of time; NaN rows say nothing."""
        known = ~np.isnan(low)
        cell = (at_us[known] - self.from_us) // self.step_us
        low, high, last, at_us = low[known], high[known], last[known], at_us[known]
        inside = (cell >= 0) & (cell < len(self.low))
        np.fmin.at(self.low, cell[inside], low[inside])
        np.fmax.at(self.high, cell[inside], high[inside])
        place = np.clip(cell, -1, len(self.low) - 1) + 1
        newer = (at_us >= self._last_us[place]) & (cell < len(self.low))
        self._last[place[newer]], self._last_us[place[newer]] = last[newer], at_us[newer]

    def curve(self, hold_us: int) -> Curve:
        """The columns, a value carried on over empty ones as long as it counts."""
        full = self._last_us >= 0
        held = np.maximum.accumulate(np.where(full, np.arange(len(full)), -1))
        begins_us = self.from_us + np.arange(-1, len(self.low)) * self.step_us
        age_us = begins_us - self._last_us[np.maximum(held, 0)]
        carried = np.where(
            (held >= 0) & (age_us <= hold_us), self._last[np.maximum(held, 0)], np.nan
        )
        empty = np.isnan(self.low)
        return Curve(
            np.where(empty, carried[1:], self.low), np.where(empty, carried[1:], self.high)
        )


def curves(
    history: History, machine: str, signals: Sequence[Signal], span: Span, columns: int = COLUMNS,
    traces: Traces | None = None,
) -> dict[str, Curve]:  # fmt: skip
    """Columns of each signal by its name; `traces` gets the samples of its signals on the way.

    Raises StoreError, DamagedError.
    """
    traces = traces or Traces([])
    grids = {signal.name: _Grid(span, columns) for signal in signals}
    held = history.span_us()
    if held is None:
        return {name: grid.curve(0) for name, grid in grids.items()}
    from_us, to_us = max(span[0] - BEFORE_US, held[0]), min(span[1], held[1])
    recent_us = min(max(from_us, (held[1] - RECENT_US) // SLICE_US * SLICE_US), max(from_us, to_us))
    if from_us < recent_us:
        for name, grid in grids.items():
            points = max(1, (recent_us - from_us) // grid.step_us)
            strip = history.read(machine, name, from_us, recent_us, points)
            middle = strip.from_us + np.arange(len(strip.low)) * strip.step_us + strip.step_us // 2
            grid.add(middle, strip.low, strip.high, strip.high)
        for start_us in range(from_us, recent_us, DAY_US):
            _add_traces(history, machine, traces, (start_us, min(recent_us, start_us + DAY_US)))
    for start_us in range(recent_us, to_us, SLICE_US):
        _add_all(history, machine, grids, traces, (start_us, min(to_us, start_us + SLICE_US)))
    return {signal.name: grids[signal.name].curve(_hold_us(signal)) for signal in signals}


def _add_all(
    history: History, machine: str, grids: dict[str, _Grid], traces: Traces, span: Span
) -> None:
    """Samples of all signals in one reading."""
    names, columns = history.span(*span, [machine])
    for number, (_, name) in enumerate(names):
        rows = (columns.number == number) & (columns.quality == GOOD)
        value = columns.value[rows]
        if name in grids:
            grids[name].add(columns.at_us[rows], value, value, value)
        if name in traces.names:
            traces.add(name, columns.at_us[rows], value)


def _add_traces(history: History, machine: str, traces: Traces, span: Span) -> None:
    """Samples of the traces alone, out of sealed days."""
    for name in traces.names:
        found = history.read(machine, name, *span)
        good = found.quality == GOOD
        traces.add(name, found.at_us[good], found.value[good])


def _hold_us(signal: Signal) -> int:
    if signal.kind in {"moment", "calibration"}:
        return 0
    stale_s = signal.stale_after_s
    return HOLD_MAX_US if stale_s is None else round(stale_s * SECOND_US)
