"""Zones of an axis' travel: a value's sums in each, each direction by itself. Pure.

Sums are whole numbers of millionths, exact in any grouping. The range of travel is learned from the
first minutes of movement and stays; what lies outside counts to the outermost zone.
"""

from typing import Any

import numpy as np

from condmon.engine.logic import Column
from condmon.engine.records import F64, I64

ZONES = 16
MOVED_LEAST = 0.02  # of a unit of length between two ticks: below it an axis stands
RANGE_FROM = 300  # ticks of movement that fix the range
BASE_DAYS = 3
KEPT_TENS = 12
MICRO = 1_000_000
DAY_S = 86400


class Zones:
    """Carried: range, sums of the base and of the newest ten-minute stretches with movement.

    Each sum is (3, 2 * ZONES): ticks, values, distance; backwards first.
    """

    def __init__(self, *, per_speed: bool) -> None:
        self._per_speed = per_speed
        self._last = np.nan
        self._low, self._high, self._seen, self._fixed = np.inf, -np.inf, 0, False
        self._base: I64 = np.zeros((3, 2 * ZONES), np.int64)
        self._days: list[int] = []  # days of the base, the newest last
        self._ten: I64 = np.zeros((3, 2 * ZONES), np.int64)
        self._tens: list[I64] = []

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
        for row, amount in enumerate((np.ones(len(at)), value, np.abs(step))):
            whole = np.rint(amount * (MICRO if row else 1))
            # whole numbers below 2**53: the sums are exact
            self._ten[row] += np.bincount(zone, whole, 2 * ZONES).astype(np.int64)
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
        self._tens = [*self._tens, self._ten.copy()][-KEPT_TENS:]
        self._ten[:] = 0
        if len(self._days) < BASE_DAYS:
            self._base += self._tens[-1]

    def rates(self, few_base: int, few: int) -> tuple[F64, F64] | None:
        """Mean value (or value for each unit of speed) in each zone: base and now; NaN of few."""
        if len(self._days) < BASE_DAYS or not self._tens:
            return None
        now = np.sum(self._tens, axis=0)
        below = 2 if self._per_speed else 0
        out = []
        for sums, least in ((self._base, few_base), (now, few)):
            with np.errstate(invalid="ignore", divide="ignore"):
                rate = sums[1] / (sums[below] if self._per_speed else sums[0] * MICRO)
            out.append(np.where((sums[0] >= least) & (rate > 0), rate, np.nan))
        return out[0], out[1]

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
