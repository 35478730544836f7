"""Minutely: 60 closed ticks of one machine, aligned to the minute, as columns. Pure.

Checks that look at hours, days and weeks are judged once in ten minutes instead of once a second.
A minute that a hole cuts is left out: it says nothing sure. Means run over fixed-point integers, so
that they have the same bits however the stream is cut.
"""

from typing import Any, NamedTuple

import numpy as np

from condmon.engine.records import F64, I64, Flags
from condmon.engine.rolling import STEP, VALUE_MAX

MINUTE_S = 60
DAY_MIN = 1440


class Minutely(NamedTuple):
    """The minutes that end in a block; `m` of them, `k` signals.

    A column is NaN where fewer than half of the ticks knew the value.
    """

    minute: I64  # (m,) counted from 1970
    row: I64  # (m,) the block's row of its last tick
    mean: F64  # (m, k)
    low: F64  # (m, k)
    high: F64  # (m, k)
    last: F64  # (m, k)
    moved: I64  # (m, k) ticks at which the held value changed
    heard: I64  # (m, k) ticks with a new usable value
    duty: I64  # (m,) the duty of all its ticks, -1 if it changed or is not known

    def cut(self, start: int, stop: int) -> "Minutely":
        """Minutes [start, stop)."""
        return Minutely(
            self.minute[start:stop],
            self.row[start:stop],
            self.mean[start:stop],
            self.low[start:stop],
            self.high[start:stop],
            self.last[start:stop],
            self.moved[start:stop],
            self.heard[start:stop],
            self.duty[start:stop],
        )


def none(k: int) -> Minutely:
    """No minute at all."""
    few, wide = np.empty(0, np.int64), np.empty((0, k))
    counts = np.empty((0, k), np.int64)
    return Minutely(few, few, wide, wide, wide, wide, counts, counts, few)


class Gather:
    """Carried state of one machine: the ticks of the minute that is not over, at most 59."""

    def __init__(self, k: int) -> None:
        self._k = k
        self._first = 0
        self._value: F64 = np.empty((0, k))
        self._fresh: Flags = np.empty((0, k), bool)
        self._duty: I64 = np.empty(0, np.int64)
        self._before: F64 = np.full(k, np.nan)  # values of the tick before the first of these

    def push(self, first: int, value: F64, age_s: F64, duty: I64, *, blind: bool) -> Minutely:
        """Take the ticks of a block; the minutes that end in it."""
        if blind or not len(self._value):
            self._restart(first, blind=blind)
        carried = len(self._value)
        self._value = np.concatenate([self._value, value])
        self._fresh = np.concatenate([self._fresh, age_s == 0])
        self._duty = np.concatenate([self._duty, duty])
        skip = -self._first % MINUTE_S  # ticks before the first whole minute
        whole = max(len(self._value) - skip, 0) // MINUTE_S
        if not whole:
            if len(self._value) >= MINUTE_S:
                self._drop(skip)
            return none(self._k)
        out = self._made(skip, whole, carried)
        self._drop(skip + whole * MINUTE_S)
        return out

    def _restart(self, first: int, *, blind: bool) -> None:
        self._first = first
        self._value, self._fresh = self._value[:0], self._fresh[:0]
        self._duty = self._duty[:0]
        if blind:
            self._before = np.full(self._k, np.nan)

    def _drop(self, ticks: int) -> None:
        if ticks:
            self._before = self._value[ticks - 1].copy()
        self._first += ticks
        self._value, self._fresh = self._value[ticks:].copy(), self._fresh[ticks:].copy()
        self._duty = self._duty[ticks:].copy()

    def _made(self, skip: int, whole: int, carried: int) -> Minutely:
        stop = skip + whole * MINUTE_S
        before = self._value[skip - 1 : skip] if skip else self._before[None, :]
        rows = np.concatenate([before, self._value[skip:stop]])
        shape = (whole, MINUTE_S, self._k)
        value = rows[1:].reshape(shape)
        known = ~np.isnan(value)
        if known.all():
            moved = _ticks((rows[1:] != rows[:-1]).reshape(shape))
            low, high, few = value.min(axis=1), value.max(axis=1), np.zeros((whole, self._k), bool)
            count = np.full((whole, self._k), MINUTE_S)
        else:
            moved = _ticks((np.abs(np.diff(rows, axis=0)) > 0).reshape(shape))
            count = _ticks(known)
            few = count * 2 < MINUTE_S
            low = np.where(few, np.nan, np.where(known, value, np.inf).min(axis=1))
            high = np.where(few, np.nan, np.where(known, value, -np.inf).max(axis=1))
        fixed = value / STEP
        fits = np.abs(value) <= VALUE_MAX  # False for NaN
        if not fits.all():
            fixed[~fits] = 0.0
        # whole numbers whose sum stays below 2**53: exact in any grouping
        total = np.rint(fixed, out=fixed).sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.where(few, np.nan, total * STEP / count)
        heard = _ticks(self._fresh[skip:stop].reshape(shape))
        duty = self._duty[skip:stop].reshape(whole, MINUTE_S)
        same = (duty == duty[:, :1]).all(axis=1)
        place = np.arange(whole, dtype=np.int64)
        return Minutely(
            (self._first + skip) // MINUTE_S + place,
            skip + (place + 1) * MINUTE_S - 1 - carried,
            mean,
            low,
            high,
            value[:, -1].copy(),
            moved,
            heard,
            np.where(same, duty[:, 0], -1),
        )

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "first": self._first,
            "value": self._value,
            "fresh": self._fresh,
            "duty": self._duty,
            "before": self._before,
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._first, self._value = state["first"], state["value"]
        self._fresh = state["fresh"].astype(bool)
        self._duty, self._before = state["duty"], state["before"]


def _ticks(flags: Flags) -> I64:
    """How many ticks of each minute are flagged, (m, 60, k) to (m, k); 60 fit into a byte."""
    count: I64 = flags.view(np.uint8).sum(axis=1, dtype=np.uint8).astype(np.int64)
    return count
