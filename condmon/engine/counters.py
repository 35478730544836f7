"""Counters: how far one has moved on, through roll-over, restart and one-step glitches. Pure."""

from typing import Any, NamedTuple

import numpy as np

from condmon.engine.records import F64, I64

NEAR_TOP = 0.9
"""A fall is a roll-over only from the top tenth of the width (common practice, no source)."""
GLITCH = 0.5
"""A fall to more than this share of the old count is a glitch, not a restart."""


class Event(NamedTuple):
    """Something a counter did, at a row of its tick values."""

    row: int
    kind: str  # "restarted", "glitch", "unknown span"
    before: float
    after: float


class Counter:
    """One counter's carried state.

    Parameters
    ----------
    width_bits : int | None
        Width of the counter in the device; None: it never rolls over, a fall is a restart.
    """

    def __init__(self, width_bits: int | None) -> None:
        self.top = float(2**width_bits) if width_bits else None
        self.last: float | None = None
        self.doubtful = False  # a device restarted since: the next step cannot be told

    def push(self, rows: I64, values: F64) -> tuple[F64, list[Event]]:
        """Increases at the rows at which the counter was heard, shape (m,), and what it did."""
        if not len(values):
            return np.empty(0), []
        before = np.concatenate([[np.nan if self.last is None else self.last], values[:-1]])
        step = values - before
        if not self.doubtful and not np.any(step < 0):
            self.last = float(values[-1])
            return np.nan_to_num(step), []
        return self._one_by_one(rows, values)

    def _one_by_one(self, rows: I64, values: F64) -> tuple[F64, list[Event]]:
        out, events = np.zeros(len(values)), []
        for i, value in enumerate(values.tolist()):
            step, kind = self._step(value)
            out[i] = step
            if kind:
                events.append(Event(int(rows[i]), kind, float(self.last or 0.0), value))
            if kind != "glitch":
                self.last = value
        return out, events

    def _step(self, value: float) -> tuple[float, str]:
        last = self.last
        if last is None:
            return 0.0, ""
        if self.doubtful:
            self.doubtful = False
            return (0.0, "restarted") if value < last else (0.0, "unknown span")
        if value >= last:
            return value - last, ""
        if self.top and last > NEAR_TOP * self.top and value < (1 - NEAR_TOP) * self.top:
            return value + self.top - last, ""
        if value > GLITCH * last:
            return 0.0, "glitch"
        return 0.0, "restarted"

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return [self.last, self.doubtful]

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        self.last, self.doubtful = state
