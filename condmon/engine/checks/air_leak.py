"""Air flows while the machine is quiet, and more than it used to: a leak is growing.

Judged after a quarter of an hour without a program, spindle or open door, at the level that four
minutes of five exceed, so that an air gun is no leak. A third more than usual, and 1 L/min more, is
beyond a flow meter's zero (common practice, no source).
"""

from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Said, first
from condmon.engine.checks.slow import NOT_YET, Slow, Verdict
from condmon.engine.duty import names
from condmon.engine.minutely import Minutely
from condmon.engine.past import Past
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import number, shown

QUIET_MIN = 15.0
QUIET = ("off", "idle")


class AirLeak(Slow):
    """Needs `air_flow` and either `power` or `spindle_speed`."""

    id = "air-leak"
    sees = "more air than usual while the machine is quiet"
    urgency = "note"
    hold_s = 1200.0
    release_s = 7200.0
    figures: ClassVar[dict[str, float]] = {"times_usual": 1.33, "more": 1.0}
    title = "an air leak is growing"
    why = "A leak costs air day and night, and the pressure for tool clamping and seals with it."
    look_first = (
        "All off but the air, walk round and listen: hoses, couplings, the maintenance unit.",
        "Seals of cylinders and the rotary joint; soap water shows small ones.",
        "Is an air gun or a blower hanging open?",
    )
    caution = "Never feel for a leak with the hand. " + LOCKOUT

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.lists["quiet"] = [0.0, -1.0]  # minutes, index in QUIET

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a machine."""
        air = first(machine, "air_flow")
        if not air:
            return ""
        if not (first(machine, "power") or first(machine, "spindle_speed")):
            return "a power state or a spindle speed (role power or spindle_speed)"
        return [cls(settings, machine, (air,))]

    def new_past(self) -> Past:
        """The level that four minutes of five exceed."""
        return Past(least=30, share=0.2, recent=30)

    def learn(self, part: Minutely) -> None:
        """Take the flow of quiet minutes, of each kind of quiet by itself."""
        flow = self.mean(part, self.signals[0])
        known = names(self.machine)
        still = self.all_off(part, "cycle_running") & self.all_on(part, "door_closed")
        for kind, name in enumerate(QUIET):
            if name not in known:
                continue
            quiet = (part.duty == known.index(name)) & (still | (name == "off"))
            run, of = self.lists["quiet"]
            value = np.full(len(flow), np.nan)
            for i in range(len(flow)):
                if quiet[i]:
                    run, of = (run + 1 if of == kind else 1.0), float(kind)
                    if run == QUIET_MIN:  # a new stretch: the last values are of another time
                        self.past(name).forget_recent()
                    elif run > QUIET_MIN:
                        value[i] = flow[i]
                elif of == kind:
                    run, of = 0.0, -1.0
            self.lists["quiet"] = [run, of]
            self.past(name).push(part.minute, value)

    def judge(self) -> Verdict:
        """Compare the quiet that is now with the same quiet before."""
        run, of = self.lists["quiet"]
        if run <= QUIET_MIN or of < 0:
            return self._verdict, self._known.state()
        past = self.past(QUIET[int(of)])
        now, usual = past.now(), past.usual()
        if now != now or usual != usual:
            return (
                NOT_YET if self._verdict == logic.UNKNOWN else (self._verdict, self._known.state())
            )
        leaks = now > usual * self.figure["times_usual"] and now > usual + self.figure["more"]
        return logic.TRUE if leaks else logic.FALSE, [now, usual, of]

    def say(self, block: Block, row: int, since: int) -> Said:
        """Flow now against the usual one of the same kind of quiet."""
        now, usual, of = self.facts(row)
        unit = shown(self.signals[0].unit)
        return Said(
            f"With the machine {QUIET[int(of)]}, {number(now)}{unit} of air flow; "
            f"{number(usual)}{unit} is usual.",
            "It grows and costs air until someone finds it; nothing stops.",
            {"value": now, "usual": usual, "unit": self.signals[0].unit},
        )
