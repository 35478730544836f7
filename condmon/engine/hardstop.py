"""When a spindle last stopped hard: a load peak and the speed gone within seconds of it. Pure.

A commanded stop looks the same in the speed alone, so without a load signal nothing is told. A load
of 150 % is beyond what a cut asks for (common practice, no source).
"""

from typing import Any

import numpy as np

from condmon.engine.block import Block
from condmon.engine.records import SECOND_US
from condmon.engine.settings import Machine

PEAK = 150.0
NEAR_S = 10
SPEED_MIN = 300.0
LEFT = 0.1


class HardStop:
    """Carries the last load peak, the last sudden stop and the last hard stop as ticks."""

    def __init__(self, machine: Machine) -> None:
        speed = machine.by_role("spindle_speed")
        self._speed = speed[0].name if speed else ""
        loads = (*machine.by_role("spindle_load"), *machine.by_role("axis_load"))
        self._loads = [signal.name for signal in loads]
        self._before = float("nan")  # speed of the tick before
        self._peak = self._fall = 0
        self.last_tick = 0

    def push(self, block: Block) -> None:
        """Look at a block's speeds and loads."""
        if not self._speed or not self._loads:
            return
        marks: list[tuple[int, int]] = []  # (tick, 0 peak or 1 fall)
        for name in self._loads:
            at_us, load = block.readings_of(name)
            marks += [(int(at), 0) for at in at_us[np.abs(load) >= PEAK] // SECOND_US]
        speed = np.abs(block.value_of(self._speed))
        before = np.concatenate([[self._before], speed[:-1]])
        falls = np.flatnonzero((before >= SPEED_MIN) & (speed <= LEFT * before))
        marks += [(block.first + int(row), 1) for row in falls]
        self._before = float(speed[-1])
        for tick, kind in sorted(marks):
            if kind:
                self._fall = tick
            else:
                self._peak = tick
            if self._peak and self._fall and abs(self._peak - self._fall) <= NEAR_S:
                self.last_tick = self._fall

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return [self._before, self._peak, self._fall, self.last_tick]

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        self._before, self._peak, self._fall, self.last_tick = state
