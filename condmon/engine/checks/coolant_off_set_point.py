"""The chiller does not hold its set point.

A healthy two-point chiller swings by about 1 K; more than 2 K for ten minutes is not its swing
(common practice, no source). After power-on it has half an hour to get there.
A chiller is sized for a room of some 12 K over its set point (makers give 32 to 35 Cel, from
memory); in a hotter room the words say so.
"""

from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic, rolling
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Said, chiller_compressor, first, value_at
from condmon.engine.expression import Pair
from condmon.engine.records import I64
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import number, shown, span


class CoolantOffSetPoint(Check):
    """Needs `coolant_supply_temperature` and `coolant_setpoint` or a fixed `setpoint`."""

    id = "coolant-off-set-point"
    sees = "chiller outlet off its set point for ten minutes"
    urgency = "today"
    hold_s = 600.0
    release_s = 600.0
    figures: ClassVar[dict[str, float]] = {
        "off_max": 2.0,
        "settle_min": 30.0,
        "room_explains": 12.0,
    }
    deadband = 0.5
    title = "chiller does not hold its set point"
    why = (
        "The spindle and the frame grow with their coolant: sizes drift, and the bearings lose "
        "the cooling they need at speed."
    )
    look_first = (
        "Chiller's condenser and filter: dust, chips, a bag over the inlet?",
        "Coolant level and flow; does the pump run, is a hose kinked?",
        "Does the compressor run? Refrigerant is work for a licensed person.",
    )
    caution = "Refrigerant and mains: licensed persons only. " + LOCKOUT

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.compressor = chiller_compressor(self.machine)
        self._carried = 0
        self._runs: I64 = np.zeros(1, np.int64)

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a chiller."""
        supply, wanted = (
            first(machine, "coolant_supply_temperature"),
            first(machine, "coolant_setpoint"),
        )
        if not supply:
            return (
                "a coolant supply temperature (role coolant_supply_temperature)" if wanted else ""
            )
        if not wanted and supply.setpoint is None:
            return f"its set point (role coolant_setpoint, or setpoint of {supply.name})"
        return [cls(settings, machine, (supply, wanted) if wanted else (supply,))]

    def when(self) -> str:
        """Further off than allowed, and on for long enough to have settled."""
        supply = self.signals[0]
        wanted = self.signals[1].name if len(self.signals) > 1 else f"{supply.setpoint:g}"
        text = f"abs({supply.name} - {wanted}) > {self.figure['off_max']:g}"
        power = first(self.machine, "power")
        settle = f'"{self.figure["settle_min"]:g} min"'
        return f"{text} and held({power.name}, {settle})" if power else text

    def push(self, block: Block) -> Pair:
        """The condition; beside it, for how long the compressor has run without a pause."""
        if self.compressor:
            on = logic.from_state(block.value_of(self.compressor.name))
            self._runs, self._carried = rolling.runs(on, self._carried)
        return super().push(block)

    def say(self, block: Block, row: int, since: int) -> Said:
        """Outlet and set point, the compressor, and the room, to rule out the weather."""
        supply = self.signals[0]
        value = value_at(block, row, supply)
        wanted = (
            value_at(block, row, self.signals[1])
            if len(self.signals) > 1
            else float(supply.setpoint or 0.0)
        )
        unit, off = shown(supply.unit), value - wanted
        side = "above" if off > 0 else "below"
        what = (
            f"{supply.label().capitalize()} is at {number(value)}{unit}, {number(abs(off), 2)} K "
            f"{side} its set point of {number(wanted)}{unit}."
        )
        if self.compressor:
            runs = int(self._runs[row])
            what += (
                f" The compressor has run without a pause for {span(runs)}."
                if runs
                else " The compressor is not running."
            )
        room = first(self.machine, "room_temperature")
        if room and (at := value_at(block, row, room)) == at:
            what += f" The room is at {number(at)}{shown(room.unit)}"
            explains = off > 0 and at - wanted > self.figure["room_explains"]
            what += "; so hot a room alone can explain it." if explains else "."
        return Said(
            what,
            "Sizes drift on; at high speed the bearings follow.",
            {"value": value, "unit": supply.unit, "normal": wanted, "off_k": off},
        )

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {**super().state(), "runs": self._carried}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        super().load(state)
        self._carried = state["runs"]
