"""The hydraulic pressure sags, or falls faster between two fillings than it used to.

Clamping forces follow the pressure: ten percent below the lowest that is usual is more than a gauge
or a warm oil explains, and a fall twice as fast as usual is a leak inside or a tired accumulator
(common practice, no source).
"""

from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Said, first
from condmon.engine.checks.slow import NOT_YET, Slow, Verdict
from condmon.engine.minutely import Minutely
from condmon.engine.past import Past
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import number, shown

SETTLE_MIN = 10.0
LOWEST, QUICKEST = 0.05, 0.5
LEAST_FALL = 0.005  # of the usual pressure, a minute: below it a fall is noise


class HydraulicSagging(Slow):
    """Needs `hydraulic_pressure`; with `power` only while it is on."""

    id = "hydraulic-sagging"
    sees = "hydraulic pressure below its usual lowest, or falling faster between fillings"
    urgency = "today"
    hold_s = 1200.0
    release_s = 3600.0
    figures: ClassVar[dict[str, float]] = {"sag_share": 0.1, "fall_times": 2.0}
    title = "hydraulic pressure sags"
    why = (
        "Tool and pallet clamping hold by this pressure. When it sags the machine stops by "
        "itself, at the worst with a tool half clamped."
    )
    look_first = (
        "Oil level and the gauge at the unit: does it show the same?",
        "Does the pump refill often at rest? It leaks inside, or its accumulator has lost its gas.",
        "Oil under the unit, the clamps and the pallet changer.",
    )
    caution = "Stored hydraulic pressure: an accumulator is opened by licensed persons. " + LOCKOUT

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.lists["on"] = [0.0, np.nan]  # minutes of power so far, pressure of the last one

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a hydraulic unit."""
        pressure = first(machine, "hydraulic_pressure")
        return [cls(settings, machine, (pressure,))] if pressure else ""

    def past(self, name: str) -> Past:
        """The lowest pressures, and the falls, of sixty minutes."""
        if name not in self.pasts:
            self.pasts[name] = Past(least=60, share=LOWEST if name == "low" else QUICKEST)
        return self.pasts[name]

    def learn(self, part: Minutely) -> None:
        """Take pressures and falls of the minutes in which the unit has settled."""
        on = self.all_on(part, "power")
        pressure = self.mean(part, self.signals[0])
        low, fall = np.full(len(on), np.nan), np.full(len(on), np.nan)
        run, before = self.lists["on"]
        for i, value in enumerate(pressure.tolist()):
            run = run + 1 if on[i] and value == value else 0.0
            if run > SETTLE_MIN:
                low[i] = value
                if before - value > LEAST_FALL * before:
                    fall[i] = before - value
            before = value
        self.lists["on"] = [run, before]
        self.past("low").push(part.minute, low)
        self.past("fall").push(part.minute, fall)

    def judge(self) -> Verdict:
        """Compare with what is usual."""
        if self.lists["on"][0] <= SETTLE_MIN:
            return NOT_YET
        low, fall = self.past("low"), self.past("fall")
        facts = [low.now(), low.usual(), fall.now(), fall.usual()]
        sags = facts[0] < facts[1] * (1 - self.figure["sag_share"])
        falls = facts[2] > facts[3] * self.figure["fall_times"]
        if facts[1] != facts[1]:
            return logic.UNKNOWN, facts
        return logic.TRUE if sags or falls else logic.FALSE, [*facts, float(sags)]

    def say(self, block: Block, row: int, since: int) -> Said:
        """Pressure and fall against what is usual."""
        low, usual, fall, usual_fall, sags = self.facts(row)
        unit = shown(self.signals[0].unit)
        if sags:
            what = f"The pressure goes down to {number(low)}{unit}; {number(usual)}{unit} is usual."
        else:
            what = (
                f"Between fillings the pressure falls by {number(fall)}{unit} a minute; "
                f"{number(usual_fall)}{unit} is usual."
            )
        return Said(
            what,
            "It goes on falling until the machine stops itself.",
            {"value": low, "usual": usual, "fall_per_min": fall, "usual_fall": usual_fall},
        )
