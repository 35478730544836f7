"""Two sensors that should agree when nothing turns drift apart.

Compared after three hours without the spindle turning, when bearings have taken the temperature of
what is around them (lag some forty minutes); without a spindle speed, at any time. One kelvin more
apart than in the first days is beyond the repeatability of any usual probe (common practice, no
source).
"""

from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Said, first
from condmon.engine.checks.slow import Slow, Verdict
from condmon.engine.minutely import Minutely
from condmon.engine.past import READY_DAYS, Past
from condmon.engine.records import Flags
from condmon.engine.settings import Machine, Settings
from condmon.engine.siblings import pairs
from condmon.engine.words import number

STAND_MIN = 180.0


class SensorDrift(Slow):
    """Needs two temperatures of the same role on one machine."""

    id = "sensor-drift"
    sees = "two like sensors drifting apart while nothing turns"
    urgency = "note"
    hold_s = 600.0
    release_s = 7200.0
    figures: ClassVar[dict[str, float]] = {"apart": 1.0}
    title = "two like sensors drift apart"
    why = "One of them tells an untruth; which one must be known before it matters."
    look_first = (
        "Hold a reference thermometer to both; or let the machine stand a night and compare.",
        "Is one of them loose in its hole or its paste dry?",
        "If both are right, heat reaches one side of the machine that did not before.",
    )
    caution = LOCKOUT

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.lists["stood"] = [0.0]

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a pair of neighbours."""
        return [
            cls(settings, machine, pair, f"{pair[0].name}/{pair[1].name}")
            for pair in pairs(machine)
        ]

    def new_past(self) -> Past:
        """Twenty minutes make a day."""
        return Past(least=20, recent=20, base=READY_DAYS)

    def _standing(self, part: Minutely) -> Flags:
        """Minutes after STAND_MIN without turning."""
        speed = first(self.machine, "spindle_speed")
        if not speed:
            return np.ones(len(part.minute), bool)
        column = self.column(speed)
        with np.errstate(invalid="ignore"):
            still = np.abs(part.high[:, column]) < 50
        if first(self.machine, "power"):
            still |= self.all_off(part, "power")
        out = np.zeros(len(still), bool)
        run = self.lists["stood"][0]
        for i, stands in enumerate(still.tolist()):
            run = run + 1 if stands else 0.0
            out[i] = run > STAND_MIN
        self.lists["stood"] = [run]
        return out

    def learn(self, part: Minutely) -> None:
        """Take the difference of the two."""
        one, two = (self.mean(part, s) for s in self.signals)
        self.past("apart").push(part.minute, np.where(self._standing(part), one - two, np.nan))
        for name, value in (("one", one), ("two", two)):
            known = value[~np.isnan(value)].tolist()
            self.lists[name] = [*self.lists.get(name, []), *known][-1:]

    def judge(self) -> Verdict:
        """Compare the difference with that of the first days."""
        past = self.past("apart")
        now, usual = past.now(), past.usual()
        if now != now or usual != usual:
            return self._verdict, self._known.state()
        apart = abs(now - usual) > self.figure["apart"]
        return logic.TRUE if apart else logic.FALSE, [now, usual]

    def say(self, block: Block, row: int, since: int) -> Said:
        """Difference now and in the first days."""
        now, usual = self.facts(row)
        one, two = (s.label() for s in self.signals)
        still = " with the spindle standing" if first(self.machine, "spindle_speed") else ""
        return Said(
            f"{one.capitalize()} reads {number(now - usual, 2)} K more against {two} than in the "
            f"first days{still} ({number(now)} K now, {number(usual)} K then).",
            "It drifts on; limits and comparisons that use it go wrong with it.",
            {"apart": now, "usual": usual},
            f"{one} and {two} drift apart",
        )
