"""Oil evidence is missing while the spindle turns.

An oil-air unit gives a pulse every so many minutes of turning. Three missed pulses in a row is not
chance (common practice, no source), and comes before the bearing gets warm. Seconds count only
while the spindle turns; standing for half an hour starts the count anew.
"""

from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic, rolling
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Said, first, value_at
from condmon.engine.duty import names
from condmon.engine.expression import Pair
from condmon.engine.records import I64, Flags
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import number, shown, span

FORGET_S = 1800


class OilMissing(Check):
    """Needs `oil_pulses` with `every`, and `spindle_speed`."""

    id = "oil-missing"
    sees = "no oil pulse for three intervals of turning"
    urgency = "now"
    figures: ClassVar[dict[str, float]] = {"missed": 3.0}
    title = "no oil reaches the spindle, and it turns"
    why = (
        "Air alone does not lubricate: the bearings run dry and are damaged before they show "
        "it as heat."
    )
    look_first = (
        "Stop the spindle at the next safe point of the program: every minute without oil counts.",
        "Oil level and pressure of the lubrication unit; is its pump running?",
        "Is the metering valve or the line to the spindle blocked or kinked?",
        "Is it the pulse sensor? Look for oil at the sight glass.",
    )
    caution = LOCKOUT

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._turning = names(self.machine).index("turning")
        self._moved, self._base, self._stood = 0, 0, 0
        self._quiet: I64 = np.zeros(1, np.int64)

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check for each oil line."""
        pulses = machine.by_role("oil_pulses")
        if not pulses:
            return (
                "an oil pulse counter (role oil_pulses)" if first(machine, "spindle_speed") else ""
            )
        if "turning" not in names(machine):
            return "a spindle speed (role spindle_speed)"
        if not all(p.every_s for p in pulses):
            return f'the usual interval of {pulses[0].name} (every = "8 min")'
        return [cls(settings, machine, (p,), p.name if len(pulses) > 1 else "") for p in pulses]

    def push(self, block: Block) -> Pair:
        """True while turning with too many seconds since the last pulse."""
        pulse = self.signals[0]
        heard = (
            block.value_of(pulse.name) if pulse.kind == "moment" else block.increase_of(pulse.name)
        )
        turning = logic.truth(block.duty == self._turning, block.duty >= 0)
        self._quiet = self._seconds(turning, heard > 0, blind=block.blind_s > 0)
        limit = self.figure["missed"] * float(pulse.every_s or 0.0)
        late = logic.truth(self._quiet >= limit, np.ones(block.n, bool))
        return Pair(logic.both(turning, late), late)  # a pause of the spindle brings no oil

    def _seconds(self, turning: logic.Truth, pulse: Flags, *, blind: bool) -> I64:
        """Seconds of turning since the last pulse or long stand, at each tick."""
        if blind:
            self._base, self._stood = self._moved, 0
        moved = self._moved + np.add.accumulate((turning == logic.TRUE).astype(np.int64))
        stood, self._stood = rolling.runs(
            np.where(turning == logic.FALSE, logic.TRUE, logic.FALSE).astype(np.int8), self._stood
        )
        anew = pulse | (stood >= FORGET_S)
        base = np.maximum.accumulate(np.where(anew, moved, self._base))
        self._moved, self._base = int(moved[-1]), int(base[-1])
        quiet: I64 = moved - base
        return quiet

    def say(self, block: Block, row: int, since: int) -> Said:
        """How long without oil, and that air looks normal if it does."""
        pulse = self.signals[0]
        quiet, every = int(self._quiet[row]), float(pulse.every_s or 0.0)
        what = f"No oil pulse for {span(quiet)} of turning; one every {span(every)} is usual."
        air, bearing = first(self.machine, "air_flow"), first(self.machine, "bearing_temperature")
        if air and (flow := value_at(block, row, air)) > 0:
            what += f" Air flows ({number(flow)}{shown(air.unit)}), so air alone is no comfort."
        if bearing and (temp := value_at(block, row, bearing)) > 0:
            what += f" {bearing.label().capitalize()} is at {number(temp)}{shown(bearing.unit)}."
        return Said(
            what,
            "The bearings run dry; heat follows only after the damage has begun.",
            {"quiet_s": quiet, "every_s": every},
        )

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {"counts": [self._moved, self._base, self._stood]}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._moved, self._base, self._stood = state["counts"]
