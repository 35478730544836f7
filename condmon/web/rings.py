"""Rings of cells: least, greatest and last value of every signal in every so many seconds.

A ring holds the newest stretch of time and forgets what is older. Charts are cut from it without
reading a recording; every spike survives, because a cell keeps both ends.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from condmon.engine.records import F64, I64, SECOND_US

RANGE_CELLS_MIN = 30
"""Fewer cells say nothing of what is usual."""


class Strip(NamedTuple):
    """A chart's columns, of shape (n,): NaN where nothing is known."""

    from_us: int
    step_us: int
    low: F64
    high: F64


class Ring:
    """Cells of `step_s` seconds over the newest `cells` of them.

    Parameters
    ----------
    signals : int
        How many signals.
    step_s, cells : int
        Size of a cell and how many are kept.
    """

    def __init__(self, signals: int, step_s: int, cells: int) -> None:
        self.step_us = step_s * SECOND_US
        self.cells = cells
        self.top = 0  # number of the newest cell
        self._low = np.full((signals, cells), np.nan, np.float32)
        self._high = self._low.copy()
        self._last = self._low.copy()
        self._last_us = np.zeros((signals, cells), np.int64)

    @property
    def bottom_us(self) -> int:
        """The oldest instant that is kept."""
        return (self.top - self.cells + 1) * self.step_us

    def add(self, signal: I64, at_us: I64, value: F64) -> None:
        """Add samples of any signals and times; what is older than the ring is passed over."""
        if not len(at_us):
            return
        cell = at_us // self.step_us
        self._advance(int(cell.max()))
        keep = cell > self.top - self.cells
        signal, at_us, value, cell = signal[keep], at_us[keep], value[keep], cell[keep]
        place = cell % self.cells
        small = value.astype(np.float32)
        np.fmin.at(self._low, (signal, place), small)
        np.fmax.at(self._high, (signal, place), small)
        order = np.argsort(at_us, kind="stable")
        s, p = signal[order], place[order]
        newer = at_us[order] >= self._last_us[s, p]
        s, p = s[newer], p[newer]
        self._last[s, p], self._last_us[s, p] = small[order][newer], at_us[order][newer]

    def strip(self, signal: int, from_us: int, to_us: int, buckets: int, hold_us: int) -> Strip:
        """Reduce a span to at most `buckets` columns; a value is held for `hold_us` after it.

        The span is widened to whole columns. What lies outside the ring is NaN.
        """
        first, last = from_us // self.step_us, max(from_us, to_us - 1) // self.step_us
        per = -(-(last - first + 1) // buckets)
        first -= first % per  # whole columns, the same ones as time goes on
        cells = np.arange(first, first + -(-(last - first + 1) // per) * per, dtype=np.int64)
        known = (cells <= self.top) & (cells > self.top - self.cells)
        place = np.where(known, cells % self.cells, 0)
        low = np.where(known, self._low[signal, place], np.nan).astype(np.float64)
        high = np.where(known, self._high[signal, place], np.nan).astype(np.float64)
        self._hold(signal, cells, low, high, hold_us)
        columns = low.reshape(-1, per), high.reshape(-1, per)
        return Strip(
            int(first) * self.step_us,
            per * self.step_us,
            np.fmin.reduce(columns[0], axis=1),
            np.fmax.reduce(columns[1], axis=1),
        )

    def range(
        self, signal: int, spans: Sequence[tuple[int, int]], share: float = 0.05
    ) -> tuple[float, float] | None:
        """The values between which a signal lay but for a `share` of its cells at either end.

        Cells count that lie in a span as a whole; None where they are fewer than RANGE_CELLS_MIN.
        """
        first, last = self.top - self.cells + 1, self.top
        found = [
            np.arange(
                max(first, -(-from_us // self.step_us)), min(last, to_us // self.step_us - 1) + 1
            )
            for from_us, to_us in spans
        ]
        place = np.concatenate([*found, np.empty(0, np.int64)]).astype(np.int64) % self.cells
        low, high = self._low[signal, place], self._high[signal, place]
        known = ~np.isnan(low)
        if int(known.sum()) < RANGE_CELLS_MIN:
            return None
        return (
            float(np.quantile(low[known], share)),
            float(np.quantile(high[known], 1 - share)),
        )

    def _hold(self, signal: int, cells: I64, low: F64, high: F64, hold_us: int) -> None:
        """Carry the last value on over empty cells, as long as it counts."""
        start = max(int(cells[0]) - hold_us // self.step_us, self.top - self.cells + 1)
        before = np.arange(start, int(cells[0]), dtype=np.int64) if start < cells[0] else cells[:0]
        every = np.concatenate([before, cells])
        known = (every <= self.top) & (every > self.top - self.cells)
        place = np.where(known, every % self.cells, 0)
        last = np.where(known, self._last[signal, place], np.nan)
        full = ~np.isnan(last)
        held = np.maximum.accumulate(np.where(full, np.arange(len(every)), -1))
        carried = np.where(held >= 0, last[np.maximum(held, 0)], np.nan)
        age_us = (np.arange(len(every)) - held) * self.step_us
        carried[(age_us > hold_us) | (every > self.top)] = np.nan
        carried = carried[len(before) :]
        empty = np.isnan(low)
        low[empty], high[empty] = carried[empty], carried[empty]

    def _advance(self, cell: int) -> None:
        """Make room up to a cell, emptying what falls out."""
        if self.top and cell <= self.top:
            return
        if not self.top or cell - self.top >= self.cells:
            gone = np.arange(self.cells)
        else:
            gone = np.arange(self.top + 1, cell + 1) % self.cells
        for column in (self._low, self._high, self._last):
            column[:, gone] = np.nan
        self._last_us[:, gone] = 0
        self.top = cell


def merged(parts: Sequence[Strip], from_us: int, to_us: int, buckets: int) -> Strip:
    """One chart out of several that follow one another, in columns no finer than theirs."""
    step_us = max(-(-(to_us - from_us) // buckets), *(part.step_us for part in parts))
    count = -(-(to_us - from_us) // step_us)
    low, high = np.full(count, np.nan), np.full(count, np.nan)
    for part in parts:
        middle = part.from_us + np.arange(len(part.low)) * part.step_us + part.step_us // 2
        cell = (middle - from_us) // step_us
        inside = (cell >= 0) & (cell < count)
        np.fmin.at(low, cell[inside], part.low[inside])
        np.fmax.at(high, cell[inside], part.high[inside])
    return Strip(from_us, step_us, low, high)
