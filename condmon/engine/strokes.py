"""Strokes of an axis out of a run of trace samples, and their shape on a fixed number of points.

Pure. A stroke arrives as one array, spread over time when it is decoded; samples less than a second
apart belong together.
"""

from typing import Any

import numpy as np

from condmon.engine.records import F64, I64, SECOND_US

POINTS = 64
APART_US = SECOND_US
LEAST, MOST = 8, 20_000


class Strokes:
    """Carried: the samples of the stroke that may not be over."""

    def __init__(self) -> None:
        self._values: list[float] = []
        self._last_us = 0

    def push(self, times: I64, values: F64, end_us: int) -> list[tuple[int, list[float]]]:
        """(instant at which its end was sure, values) of the strokes that are over by `end_us`."""
        out: list[tuple[int, list[float]]] = []
        if len(times):
            before = np.concatenate([[self._last_us], times[:-1]])
            for start, stop in _runs(times - before > APART_US):
                if times[start] - self._last_us > APART_US:
                    self._over(out)
                self._values = [*self._values, *values[start:stop].tolist()][:MOST]
                self._last_us = int(times[stop - 1])
        if self._values and self._last_us + 2 * APART_US <= end_us:
            self._over(out)
        return out

    def _over(self, out: list[tuple[int, list[float]]]) -> None:
        if len(self._values) >= LEAST:
            out.append((self._last_us + 2 * APART_US - 1, self._values))
        self._values = []

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return [np.array(self._values), self._last_us]

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        self._values, self._last_us = state[0].tolist(), state[1]


def _runs(first: np.ndarray[Any, np.dtype[np.bool_]]) -> list[tuple[int, int]]:
    """(start, stop) of runs; `first` marks where one begins."""
    starts = np.unique([0, *np.flatnonzero(first).tolist()]).tolist()
    return list(zip(starts, [*starts[1:], len(first)], strict=True))


def shape(values: list[float]) -> F64:
    """A stroke at POINTS equal shares of its way, shape (POINTS,)."""
    whole = np.array(values)
    out: F64 = np.interp(np.linspace(0, len(whole) - 1, POINTS), np.arange(len(whole)), whole)
    return out
