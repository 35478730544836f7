"""The spindle turns and the air of its bearings is missing.

Oil-air bearings get their oil by the air. Less than 5 L/min with the spindle turning is no flow
(common practice, no source); half a minute passes over the opening of the valve.
"""

from typing import Any, ClassVar, Self

from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Said, first, value_at
from condmon.engine.duty import names
from condmon.engine.expression import Condition, Pair
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import number, shown, span


class AirMissing(Check):
    """Needs `air_flow` and `spindle_speed`."""

    id = "air-missing"
    sees = "no spindle air although the spindle turns"
    urgency = "now"
    hold_s = 30.0
    release_s = 60.0
    figures: ClassVar[dict[str, float]] = {"flow_min": 5.0}
    title = "no air reaches the spindle, and it turns"
    why = (
        "The air carries the oil into the bearings and keeps coolant out of the spindle nose; "
        "without it they run dry, and coolant gets in."
    )
    look_first = (
        "Stop the spindle at the next safe point of the program: every minute counts.",
        "Pressure at the maintenance unit; is the hand valve open?",
        "The spindle air valve: does it get its signal?",
        "A hose off or kinked between valve and spindle.",
    )
    caution = LOCKOUT

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a machine."""
        air = first(machine, "air_flow")
        if not air:
            return ""
        if "turning" not in names(machine):
            return "a spindle speed (role spindle_speed)"
        return [cls(settings, machine, (air,))]

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        text = f"{self.signals[0].name} < {self.figure['flow_min']:g}"
        if "off" in names(self.machine):
            text += ' and duty != "off"'
        kinds = {s.name: s.kind for s in self.machine.signals}
        self._still = Condition(text, kinds, names(self.machine))

    def push(self, block: Block) -> Pair:
        """A pause of the spindle brings no air back: only flow or power-off ends it."""
        return Pair(super().push(block).on, self._still.push(block).on)

    def when(self) -> str:
        """The spindle turns and there is hardly any flow."""
        return f'duty == "turning" and {self.signals[0].name} < {self.figure["flow_min"]:g}'

    def say(self, block: Block, row: int, since: int) -> Said:
        """Flow, and for how long."""
        air = self.signals[0]
        value = value_at(block, row, air)
        return Said(
            f"The spindle turns and only {number(value)}{shown(air.unit)} of air flow, for "
            f"{span(block.first + row - since)}.",
            "The bearings run without oil; heat follows only after the damage has begun.",
            {"value": value, "unit": air.unit},
        )
