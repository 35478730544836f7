"""Minutes: means of tick columns over whole minutes, the same bits however a stream is cut. Pure.

A minute is 60 ticks that begin at a whole minute of UTC. It is put out when its last tick is
closed, or when the watch breaks off inside it; of the minutes nobody watched nothing is put out.
"""

from typing import Any, NamedTuple

import numpy as np

from condmon.engine.records import F64, I64

MINUTE_S = 60
KNOWN_MIN = 30
"""A mean needs half a minute of known ticks."""


class Means(NamedTuple):
    """Whole minutes: their numbers (m,) since 1970 and the mean of each column (m, width)."""

    minute: I64
    value: F64


class Minutes:
    """Carries the ticks of the minute that is not over yet."""

    def __init__(self, width: int) -> None:
        self._width = width
        self._part: F64 = np.empty((0, width))
        self._next = 0  # the tick that follows the part

    def push(self, first: int, ticks: F64) -> Means:
        """Take the ticks (n, width) from tick `first` on; the minutes that are over now."""
        done: list[Means] = []
        if len(self._part) and first != self._next:
            done.append(self._over(self._filled(self._part)))
            self._part = np.empty((0, self._width))
        if not len(self._part):
            self._part = np.full((first % MINUTE_S, self._width), np.nan)
        whole = np.concatenate([self._part, ticks])
        self._next = first + len(ticks)
        stop = len(whole) // MINUTE_S * MINUTE_S
        if stop:
            done.append(self._over(whole[:stop], len(whole) - stop))
        self._part = whole[stop:].copy()
        return Means(
            np.concatenate([part.minute for part in done] or [np.empty(0, np.int64)]),
            np.concatenate([part.value for part in done] or [np.empty((0, self._width))]),
        )

    def _filled(self, part: F64) -> F64:
        rest = np.full((MINUTE_S - len(part), self._width), np.nan)
        self._next += len(rest)
        return np.concatenate([part, rest])

    def _over(self, ticks: F64, open_ticks: int = 0) -> Means:
        """Means of whole minutes that end `open_ticks` before the next tick."""
        last = (self._next - open_ticks) // MINUTE_S
        many = len(ticks) // MINUTE_S
        grid = np.ascontiguousarray(ticks.T).reshape(self._width, many, MINUTE_S)
        known = ~np.isnan(grid)
        count = known.sum(axis=2)
        total = np.where(known, grid, 0.0).sum(axis=2)  # rows of 60: one order of adding
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.where(count >= KNOWN_MIN, total / count, np.nan)
        return Means(np.arange(last - many, last, dtype=np.int64), np.ascontiguousarray(mean.T))

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return [self._part, self._next]

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        self._part, self._next = state
        assert self._part.ndim == 2
        assert self._part.shape[1] == self._width
