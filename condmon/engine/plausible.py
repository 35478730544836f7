"""Whether a value can be true: fault codes, loop currents, range, jumps. Pure.

Codes and limits: -127 and 85 are the disconnected and power-on values of a common 1-wire sensor,
-0.0625 its all-ones register (from memory); 4-20 mA limits 3.6, 3.8, 20.5 and 21 mA after NAMUR
NE 43 (second hand).
"""

from typing import Any

import numpy as np

from condmon.engine import records as rec
from condmon.engine.grouping import rows_of_each
from condmon.engine.records import F64, I64, REASONS, SECOND_US
from condmon.engine.settings import Signal

JUMP_WITHIN_US = 300 * SECOND_US
"""After a longer silence any step is possible."""

_RANGE = REASONS.index("outside the plausible range")
_CODE = REASONS.index("code for a faulty sensor")
_JUMP = REASONS.index("jump larger than this signal can make")
_LOOP = REASONS.index("loop current of a fault")
_POWER_ON = REASONS.index("power-on value of the sensor")


class Plausible:
    """Carried per signal: last good value, its time, and a jump waiting to be confirmed."""

    def __init__(self, signals: tuple[Signal, ...]) -> None:
        number = np.array([s.kind in {"measure", "calibration"} for s in signals], bool)
        self._low = np.array([s.range[0] if s.range else -np.inf for s in signals])
        self._high = np.array([s.range[1] if s.range else np.inf for s in signals])
        self._celsius = np.array([s.unit == "Cel" for s in signals], bool) & number
        self._loop = np.array([s.unit == "mA" for s in signals], bool) & number
        self._step = np.array([s.step_max if s.step_max is not None else np.inf for s in signals])
        k = len(signals)
        self._last, self._last_us = np.full(k, np.nan), np.zeros(k, np.int64)
        self._candidate = np.full(k, np.nan)

    def judge(
        self, signal: rec.I32, at: I64, value: F64, quality: rec.U8, mark: rec.U16, reason: rec.U8
    ) -> None:
        """Lower the quality of impossible values in place; all columns (n,) in arrival order."""
        self._codes(signal, value, quality, reason)
        self._loops(signal, value, quality, mark, reason)
        low, high = self._low[signal], self._high[signal]
        outside = np.flatnonzero((value < low) | (value > high))
        outside = outside[(quality[outside] == rec.GOOD) & ~self._loop[signal[outside]]]
        _set(outside, rec.BAD, _RANGE, quality, reason)
        live = (quality == rec.GOOD) & np.isfinite(self._step[signal])
        live &= mark & (rec.RETAINED | rec.HISTORICAL | rec.REPEAT) == 0
        self._jumps(np.flatnonzero(live), signal, at, value, quality, reason)

    def _codes(self, signal: rec.I32, value: F64, quality: rec.U8, reason: rec.U8) -> None:
        # few values are any of these, so that only they are looked at closely
        rows = np.flatnonzero((value == -127.0) | (value == 85.0) | (value == -0.0625))
        rows = rows[self._celsius[signal[rows]] & (quality[rows] == rec.GOOD)]
        if not len(rows):
            return
        given, of = value[rows], signal[rows]
        out = (given < self._low[of]) | (given > self._high[of])
        _set(rows[given == -127.0], rec.BAD, _CODE, quality, reason)
        _set(rows[(given == 85.0) & out], rec.SUSPECT, _POWER_ON, quality, reason)
        _set(rows[given == -0.0625], rec.SUSPECT, _CODE, quality, reason)

    def _loops(
        self, signal: rec.I32, value: F64, quality: rec.U8, mark: rec.U16, reason: rec.U8
    ) -> None:
        if not self._loop.any():
            return
        loop = self._loop[signal] & (quality == rec.GOOD)
        with np.errstate(invalid="ignore"):
            _set(loop & ((value < 3.6) | (value > 21.0)), rec.BAD, _LOOP, quality, reason)
            near = loop & (quality == rec.GOOD)
            _set(near & ((value < 3.8) | (value > 20.5)), rec.SUSPECT, _LOOP, quality, reason)
            mark[near & (quality == rec.GOOD) & ((value < 4.0) | (value > 20.0))] |= rec.RANGE_END

    def _jumps(
        self, rows: I64, signal: rec.I32, at: I64, value: F64, quality: rec.U8, reason: rec.U8
    ) -> None:
        for one, group in rows_of_each(signal, rows):
            values = value[group]
            steps = np.abs(np.diff(values, prepend=self._last[one]))
            if not np.any(steps > self._step[one]) and np.isnan(self._candidate[one]):
                self._last[one], self._last_us[one] = values[-1], at[group[-1]]
                continue
            for row in group.tolist():
                if not self._possible(one, float(value[row]), int(at[row])):
                    quality[row], reason[row] = rec.SUSPECT, _JUMP

    def _possible(self, one: int, value: float, at_us: int) -> bool:
        """A jump is doubted until a second value confirms it, and allowed after a long silence."""
        last, candidate, step = self._last[one], self._candidate[one], self._step[one]
        fits = np.isnan(last) or abs(value - last) <= step
        soon = at_us - self._last_us[one] <= JUMP_WITHIN_US
        if not fits and soon and not abs(value - candidate) <= step:  # no candidate is NaN
            self._candidate[one] = value
            return False
        self._last[one], self._last_us[one], self._candidate[one] = value, at_us, np.nan
        return True

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {"last": self._last, "last_us": self._last_us, "candidate": self._candidate}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._last, self._last_us = state["last"], state["last_us"]
        self._candidate = state["candidate"]


def _set(rows: rec.Flags | I64, to: int, why: int, quality: rec.U8, reason: rec.U8) -> None:
    quality[rows], reason[rows] = to, why
