"""Zones of an axis' travel: a value's sums in each, each direction by itself. Pure.

Sums are whole numbers of thousandths, exact in any grouping. The range of travel is learned from
the first minutes of movement and stays; what lies outside counts to the outermost zone.
"""

from typing import Any

import numpy as np

from condmon.engine.logic import Column
from condmon.engine.records import F64, I64

ZONES = 16
MOVED_LEAST = 0.02  # of a unit of length between two ticks: below it an axis stands
RANGE_FROM = 300  # ticks of movement that fix the range
BASE_DAYS = 2
KEPT_TENS = 18
MILLI, VALUE_MAX = 1000, 1000.0
DAY_S = 86400


class Zones:
    """Carried: range, sums of the base and of the newest ten-minute stretches with movement.

    Each sum is (3, 2 * ZONES): ticks, values, their squares; backwards first.
    """

    def __init__(self) -> None:
        self._last = np.nan
        self._low, self._high, self._seen, self._fixed = np.inf, -np.inf, 0, False
        self._base: I64 = np.zeros((3, 2 * ZONES), np.int64)
        self._days: list[int] = []  # days of the base, the newest last
        self._ten: I64 = np.zeros((3, 2 * ZONES), np.int64)
        self._tens: list[I64] = []
        self._now: I64 = np.zeros((3, 2 * ZONES), np.int64)  # their sum

    def jump(self) -> None:
        """A hole: the next position follows from nothing."""
        self._last = np.nan

    def push(self, tick: int, position: Column, value: Column) -> None:
        """Take ticks of at most one ten-minute stretch."""
        before = np.concatenate([[self._last], position[:-1]])
        self._last = float(position[-1])
        with np.errstate(invalid="ignore"):
            step = position - before
            moves = (np.abs(step) > MOVED_LEAST) & ~np.isnan(value)
        if not moves.any():
            return
        at, step, value = position[moves], step[moves], np.abs(value[moves])
        if not self._fixed:
            self._low, self._high = (
                min(self._low, float(at.min())),
                max(self._high, float(at.max())),
            )
            self._seen += len(at)
            return
        zone = np.clip((at - self._low) / (self._high - self._low) * ZONES, 0, ZONES - 1)
        zone = zone.astype(np.int64) + ZONES * (step > 0)
        whole = np.rint(np.minimum(value, VALUE_MAX) * MILLI)
        for row, amount in enumerate((np.ones(len(at)), whole, whole * whole)):
            # whole numbers, their sums below 2**53: exact
            self._ten[row] += np.bincount(zone, amount, 2 * ZONES).astype(np.int64)
        day = tick // DAY_S
        if day not in self._days and len(self._days) < BASE_DAYS:
            self._days.append(day)

    def ten_over(self) -> None:
        """Ten minutes are over: they join the base or the newest ones."""
        if not self._fixed:
            self._fixed = self._seen >= RANGE_FROM and self._high > self._low
            return
        if not self._ten.any():
            return
        self._tens.append(self._ten.copy())
        self._now = self._now + self._ten
        if len(self._tens) > KEPT_TENS:
            self._now = self._now - self._tens.pop(0)
        self._ten[:] = 0
        if len(self._days) < BASE_DAYS:
            self._base += self._tens[-1]

    def means(self, few_base: int, few: int) -> tuple[F64, F64, F64] | None:
        """Mean in each zone, base and now, and the standard error of the latter; NaN of few."""
        if len(self._days) < BASE_DAYS or not self._tens:
            return None
        now = self._now
        with np.errstate(invalid="ignore", divide="ignore"):
            base_mean = self._base[1] / (self._base[0] * MILLI)
            mean = now[1] / (now[0] * MILLI)
            spread = np.maximum(now[2] / (now[0] * MILLI**2) - mean**2, 0.0)
            error = np.sqrt(spread / now[0])
        able = (self._base[0] >= few_base) & (now[0] >= few) & (base_mean > 0)
        return (
            np.where(able, base_mean, np.nan),
            np.where(able, mean, np.nan),
            np.where(able, error, np.nan),
        )

    def bounds(self, zone: int) -> tuple[float, float]:
        """Where a zone begins and ends."""
        width = (self._high - self._low) / ZONES
        return self._low + zone * width, self._low + (zone + 1) * width

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "rest": [self._last, self._low, self._high, self._seen, self._fixed, self._days],
            "base": self._base,
            "ten": self._ten,
            "tens": self._tens,
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._last, self._low, self._high, self._seen, self._fixed, self._days = state["rest"]
        self._base, self._ten, self._tens = state["base"], state["ten"], state["tens"]
        self._now = np.sum([np.zeros_like(self._ten), *self._tens], axis=0)
