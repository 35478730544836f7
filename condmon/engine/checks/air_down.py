"""The air main is down: pressure at the machine is too low for clamping and bearings.

Machine tools ask for some 5 to 6 bar at the inlet (makers' usual figure, from memory); below 4.5
tool clamps and bearing air are no longer sure. Where a set point is configured, 80 % of it counts.
Three minutes after power-on fill a machine that was shut off from the net.
"""

from typing import ClassVar, Self

from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Said, first, value_at
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import number, shown

SHARE = 0.8


class AirDown(Check):
    """Needs `air_pressure` and `power`."""

    id = "air-down"
    sees = "compressed air too low while the machine is on"
    urgency = "now"
    hold_s = 20.0
    release_s = 120.0
    figures: ClassVar[dict[str, float]] = {"bar_min": 4.5, "settle_s": 180.0}
    deadband = 0.2
    title = "compressed air is down"
    why = "Clamping, tool change and spindle air all live off it; the machine stops itself next."
    look_first = (
        "Does the compressor run? Its display, its oil and its temperature.",
        "The shut-off valve and the maintenance unit's filter at the machine.",
        "A hose off somewhere: listen.",
    )
    caution = "Without air a tool or part may come loose: keep clear of both. " + LOCKOUT

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a machine."""
        air, power = first(machine, "air_pressure"), first(machine, "power")
        if not air:
            return ""
        if not power:
            return "a power signal (role power)"
        return [cls(settings, machine, (air, power))]

    def _limit(self) -> float:
        wanted = self.signals[0].setpoint
        return SHARE * wanted if wanted else self.figure["bar_min"]

    def when(self) -> str:
        """Pressure below the limit while the machine is on and has filled."""
        air, power = self.signals
        filled = f'held({power.name}, "{self.figure["settle_s"]:g} s")'
        return f"{filled} and {air.name} < {self._limit():g}"

    def say(self, block: Block, row: int, since: int) -> Said:
        """Pressure now."""
        air = self.signals[0]
        value, unit = value_at(block, row, air), shown(air.unit)
        return Said(
            f"{air.label().capitalize()} is at {number(value)}{unit}; "
            f"below {number(self._limit())}{unit} is too low.",
            "The machine stops itself when a clamp or the spindle air is no longer sure.",
            {"value": value, "unit": air.unit, "normal": self._limit()},
        )
