"""A sensor repeats one value although what it measures must have moved.

The doubt itself is in doubt.py with its figures: thirty equal readings and ten minutes, five times
the longest usual run, while the spindle changed speed by 1000/min or the sibling moved by 1 K
(common practice, no source). While it lasts no other check uses the reading.
"""

from typing import ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, MAINS, Check, Said
from condmon.engine.doubt import ROLES
from condmon.engine.expression import Pair
from condmon.engine.settings import Machine, Settings


class SensorStuck(Check):
    """Needs a temperature, load or vibration that is heard again and again."""

    id = "sensor-stuck"
    sees = "a reading frozen at one value while its sibling or the speed moves"
    urgency = "today"
    release_s = 60.0
    figures: ClassVar[dict[str, float]] = {}
    title = "a sensor is stuck at one value"
    why = "It looks alive and tells nothing: checks that need it are blind until it moves again."
    look_first = (
        "The sensor or its gateway hangs: unplug it and plug it in again, nothing of the machine.",
        "Does the gateway repeat an old value because the sensor no longer answers?",
    )
    caution = MAINS + LOCKOUT

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a sensor that has something beside it which moves."""
        speed = machine.by_role("spindle_speed")
        found = [s for s in machine.signals if s.role in ROLES and s.stale_after_s is not None]
        if found and not speed and len(machine.by_role("bearing_temperature")) < 2:
            return "a spindle speed or a second bearing temperature beside it"
        return [cls(settings, machine, (s,), s.name) for s in found]

    def push(self, block: Block) -> Pair:
        """True while the reading is in doubt."""
        stuck = block.stuck.get(self.signals[0].name)
        on = np.zeros(block.n, bool) if stuck is None else stuck
        column = logic.truth(on, np.ones(block.n, bool))
        return Pair(column, column)

    def say(self, block: Block, row: int, since: int) -> Said:
        """Which sensor, and what follows for the other checks."""
        signal = self.signals[0]
        return Said(
            f"{signal.label().capitalize()} repeats one and the same value while the spindle or "
            "its sibling has moved. This speaks of the sensor, not of the machine.",
            "The checks that need it stay blind until it moves.",
            {},
            f"{signal.label()} is stuck at one value",
        )
