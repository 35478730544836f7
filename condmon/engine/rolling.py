"""Windows over ticks with carried history; every result has the same bits however a stream is cut.

Sums run over fixed-point integers (steps of 1e-6), whose differences are exact in any grouping;
minimum and maximum are exact anyway. A window of w seconds at tick t covers ticks (t - w, t].
"""

import numpy as np
from numpy.typing import NDArray

from condmon.engine.logic import TRUE, Column, Truth

STEP = 1e-6
VALUE_MAX = 1e6
"""Larger values are unknown to means and slopes: beyond it the integers could overflow."""
COUNT_MAX = 1e12
"""What moves on further in a second counts nothing; sums of an hour of it stay exact."""
WINDOW_MAX_S = 3600

I64 = NDArray[np.int64]


class Window:
    """The last `seconds - 1` ticks of a column, carried from block to block."""

    def __init__(self, seconds: int) -> None:
        assert 1 <= seconds <= WINDOW_MAX_S
        self.seconds = seconds
        self.tail: Column = np.full(seconds - 1, np.nan)

    def extend(self, column: Column, blind_s: int = 0) -> Column:
        """History and `column` (n,) in one array of shape (seconds - 1 + n,)."""
        tail = self.tail
        if blind_s:
            tail = np.concatenate([tail, np.full(min(blind_s, self.seconds), np.nan)])
            tail = tail[len(tail) - (self.seconds - 1) :]
        whole = np.concatenate([tail, column])
        self.tail = whole[len(whole) - (self.seconds - 1) :].copy()
        return whole

    def state(self) -> dict[str, object]:
        """What has to survive a restart."""
        return {"tail": self.tail}

    def load(self, state: dict[str, object]) -> None:
        """Take up a saved state."""
        tail = np.asarray(state["tail"], np.float64)
        assert tail.shape == self.tail.shape
        self.tail = tail


def mean(whole: Column, seconds: int) -> Column:
    """Mean of the known ticks of each window; unknown if fewer than half are known."""
    fixed, known = _fixed(whole)
    count = _sums(known, seconds)
    total = _sums(fixed, seconds)
    with np.errstate(invalid="ignore", divide="ignore"):
        out: Column = total * STEP / count
    out[count * 2 < seconds] = np.nan
    return out


def slope_per_min(whole: Column, seconds: int) -> Column:
    """Least-squares slope in units a minute; unknown if fewer than half of the ticks are known."""
    fixed, known = _fixed(whole)
    place = np.arange(len(whole), dtype=np.int64)
    starts = np.arange(len(whole) - seconds + 1, dtype=np.int64)
    n = _sums(known, seconds)
    x = _sums(fixed, seconds)
    t = _sums(place * known, seconds) - starts * n
    tt = _sums(place * place * known, seconds) - 2 * starts * (t + starts * n) + starts * starts * n
    tx = _sums(place * fixed, seconds) - starts * x
    nf, tf = n.astype(np.float64), t.astype(np.float64)
    below = nf * tt - tf * tf
    with np.errstate(invalid="ignore", divide="ignore"):
        out: Column = (nf * tx - tf * x) * STEP / below * 60.0
    out[(n * 2 < seconds) | (below <= 0)] = np.nan
    return out


def extreme(whole: Column, seconds: int, *, highest: bool) -> Column:
    """Highest or lowest known tick of each window; unknown if fewer than half are known.

    Works on chunks of `seconds`: each window is the end of one chunk and the start of the next.
    """
    worst = -np.inf if highest else np.inf
    pick = np.maximum if highest else np.minimum
    known = ~np.isnan(whole)
    filled = np.where(known, whole, worst)
    n = len(whole) - seconds + 1
    chunks = -(-len(whole) // seconds)
    padded = np.full(chunks * seconds, worst)
    padded[: len(whole)] = filled
    grid = padded.reshape(chunks, seconds)
    ahead = pick.accumulate(grid, axis=1).ravel()
    back = pick.accumulate(grid[:, ::-1], axis=1)[:, ::-1].ravel()
    out: Column = pick(back[:n], ahead[seconds - 1 : seconds - 1 + n])
    out[_sums(known.astype(np.int64), seconds) * 2 < seconds] = np.nan
    return out


def count(whole: Column, seconds: int) -> Column:
    """Exact sum of whole numbers in each window; unknown ones and those beyond counting are 0."""
    known = np.abs(whole) <= COUNT_MAX  # False for NaN
    return _sums(np.where(known, whole, 0.0).astype(np.int64), seconds).astype(np.float64)


def runs(column: Truth, carried: int) -> tuple[I64, int]:
    """How many ticks in a row, ending at each, are TRUE; and the count to carry on."""
    place = np.arange(len(column), dtype=np.int64)
    last_other = np.maximum.accumulate(np.where(column == TRUE, -1, place))
    length = np.where(last_other >= 0, place - last_other, place + 1 + carried)
    return length, int(length[-1]) if len(length) else carried


def _fixed(whole: Column) -> tuple[I64, I64]:
    """Fixed-point integers (0 where unknown) and 1 where known."""
    known = np.abs(whole) <= VALUE_MAX  # False for NaN
    fixed = np.rint(np.where(known, whole, 0.0) / STEP).astype(np.int64)
    return fixed, known.astype(np.int64)


def _sums(column: I64, seconds: int) -> I64:
    """Exact sums of each window, (len - seconds + 1,); wrap-around cancels in the difference."""
    total = np.concatenate([np.zeros(1, np.int64), np.add.accumulate(column)])
    out: I64 = total[seconds:] - total[:-seconds]
    return out
