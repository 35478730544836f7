"""The coolant level falls while its pump stands: a leak.

Evaporation is below 1 % an hour; 6 % an hour (0.1 % a minute) over 20 minutes is a leak (common
practice, no source). A pump that starts draws the level down at once, so it must have stood for
half an hour; without a pump signal a machine that is off will do.
"""

from typing import ClassVar, Self

from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Said, first, value_at
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import number, shown, span


class CoolantFalling(Check):
    """Needs `coolant_level` and `pump_running` or `power`."""

    id = "coolant-falling"
    sees = "coolant level falling with the pump off"
    urgency = "now"
    hold_s = 120.0
    release_s = 600.0
    figures: ClassVar[dict[str, float]] = {
        "fall_per_min": 0.1,
        "window_min": 20.0,
        "still_min": 30.0,
    }
    title = "coolant is running out"
    why = (
        "Coolant on the floor is a slip and an electrical hazard, and a pump that runs dry is lost."
    )
    look_first = (
        "Look under and behind the machine and at the tank's drain.",
        "Hoses, couplings and way covers: where does it drip?",
    )
    caution = "Slippery floor; keep away from cabinets standing in liquid. " + LOCKOUT

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a tank."""
        level = first(machine, "coolant_level")
        still = first(machine, "pump_running") or first(machine, "power")
        if not level:
            return ""
        if not still:
            return "a pump or power state (role pump_running or power)"
        return [cls(settings, machine, (level, still))]

    def when(self) -> str:
        """The level falls faster than evaporation, and the pump stands."""
        level, still = self.signals
        f = self.figure
        return (
            f"{level.name} >= 0 "
            f'and slope({level.name}, "{f["window_min"]:g} min") < -{f["fall_per_min"]:g} '
            f'and held(not {still.name}, "{f["still_min"]:g} min")'
        )

    def say(self, block: Block, row: int, since: int) -> Said:
        """Level now, and when it would be empty if the fall is at least the limit."""
        level = self.signals[0]
        value, rate = value_at(block, row, level), self.figure["fall_per_min"]
        return Said(
            f"{level.label().capitalize()} is at {number(value)}{shown(level.unit)} and falls "
            f"by more than {rate * 60:g}{shown(level.unit)} an hour with the pump off.",
            f"Empty in at most {span(value / rate * 60)}.",
            {"value": value, "unit": level.unit},
        )
