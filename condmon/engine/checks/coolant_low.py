"""The coolant level is low.

Below a fifth of the tank pumps begin to draw air when the machine takes its share into the pipes
(common practice, no source). Ten minutes pass over the swing of a pump start.
"""

from typing import ClassVar, Self

from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Said, first, value_at
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import number, shown


class CoolantLow(Check):
    """Needs `coolant_level`."""

    id = "coolant-low"
    sees = "coolant tank nearly empty"
    urgency = "today"
    hold_s = 600.0
    release_s = 600.0
    figures: ClassVar[dict[str, float]] = {"level_min": 20.0}
    deadband = 2.0
    title = "coolant is low"
    why = "A pump that draws air stops cooling tool and part in the middle of a run."
    look_first = (
        "Top up with the right mixture; measure the concentration.",
        "Is it usual use, or does it go faster than before? Look for a leak.",
    )
    caution = LOCKOUT

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a tank."""
        level = first(machine, "coolant_level")
        return [cls(settings, machine, (level,))] if level else ""

    def when(self) -> str:
        """The level is below the limit."""
        return f"{self.signals[0].name} < {self.figure['level_min']:g}"

    def say(self, block: Block, row: int, since: int) -> Said:
        """Level now."""
        level = self.signals[0]
        value, unit = value_at(block, row, level), shown(level.unit)
        return Said(
            f"{level.label().capitalize()} is at {number(value)}{unit}; "
            f"below {self.figure['level_min']:g}{unit} is low.",
            "The pump draws air and the tool runs dry.",
            {"value": value, "unit": level.unit},
        )
