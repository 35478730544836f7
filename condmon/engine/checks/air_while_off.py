"""Air flows while the machine is off, longer than a purge needs.

Spindle bearings with oil-air lubrication run dry in clean air without oil: the air carries the film
away. A purge after power-off is wanted; ten minutes is a generous allowance (common practice, no
source). 2 L/min is above the zero error and the leak of a shut valve (common practice, no source).
"""

from typing import ClassVar, Self

from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Said, first, value_at
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import number, shown, span


class AirWhileOff(Check):
    """Needs `power` and either `air_flow` or `air_valve`."""

    id = "air-while-off"
    sees = "spindle air still flowing after the purge, machine off"
    urgency = "today"
    hold_s = 600.0
    release_s = 60.0
    figures: ClassVar[dict[str, float]] = {"flow_min": 2.0}
    title = "air flows although the machine is off"
    why = (
        "Dry air through standing spindle bearings carries their oil film away, and the "
        "compressor pays for it all night."
    )
    look_first = (
        "Is the spindle air valve shut? Listen at the spindle nose and at the valve.",
        "Does the valve lose its signal at power-off, or does it hang open?",
        "Is a hand valve or a hose left open behind the machine?",
        "Is seal air meant to stay on (see the manual)? Then this check is not for this machine.",
    )
    caution = LOCKOUT

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a machine."""
        power = first(machine, "power")
        air = first(machine, "air_flow") or first(machine, "air_valve")
        if not power and not air:
            return ""
        if not power:
            return "a power signal (role power)"
        if not air:
            return "an air flow or air valve signal (role air_flow or air_valve)"
        return [cls(settings, machine, (power, air))]

    def when(self) -> str:
        """Power is off and air flows, or its valve is open."""
        power, air = self.signals
        flows = air.name if air.kind == "state" else f"{air.name} > {self.figure['flow_min']:g}"
        return f"not {power.name} and {flows}"

    def say(self, block: Block, row: int, since: int) -> Said:
        """Flow now and since when."""
        air = self.signals[1]
        value = value_at(block, row, air)
        lasted = span(block.first + row - since)
        shown_now = (
            "the valve reads open"
            if air.kind == "state"
            else f"{number(value)}{shown(air.unit)} flow now"
        )
        return Said(
            f"The machine has been off for {lasted} and {shown_now}; "
            f"after the purge there should be none.",
            "It goes on until someone shuts the air; the machine does not stop it.",
            {"value": value, "unit": air.unit, "normal": "none after the purge"},
        )
