"""Two like sensors have changed places: their usual difference has turned round.

At the same work one bearing is always the warmer one. When the difference keeps its size and turns
its sign, plugs or topics were swapped; wear changes the size (common practice, no source).
"""

from typing import ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Said
from condmon.engine.checks.slow import Slow, Verdict
from condmon.engine.duty import names
from condmon.engine.minutely import Minutely
from condmon.engine.past import Past
from condmon.engine.settings import Machine, Settings
from condmon.engine.siblings import pairs
from condmon.engine.words import number

ALIKE = 1.8  # the size of the difference may differ by this factor: other work, other heat;
# beyond it one of the two rather reads wrong, which the check of drift tells


class SensorsSwapped(Slow):
    """Needs two temperatures of the same role on one machine."""

    id = "sensors-swapped"
    sees = "two like sensors that have changed places"
    urgency = "note"
    hold_s = 1200.0
    release_s = 7200.0
    figures: ClassVar[dict[str, float]] = {"least": 1.0}
    title = "two sensors seem to be swapped"
    why = "Alarms, limits and trends of the one are those of the other from now on."
    look_first = (
        "Was something unplugged lately? Compare plugs and labels.",
        "Have the topics been renamed, or the gateway's channels changed?",
        "With the machine locked out, warm one by hand and see which reading moves.",
    )
    caution = LOCKOUT

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a pair of neighbours."""
        return [
            cls(settings, machine, pair, f"{pair[0].name}/{pair[1].name}")
            for pair in pairs(machine)
        ]

    def new_past(self) -> Past:
        """An hour makes a day."""
        return Past(least=60, recent=60)

    def learn(self, part: Minutely) -> None:
        """Take the difference of the two while the spindle turns, if its speed is known."""
        one, two = (self.mean(part, s) for s in self.signals)
        wanted = np.ones(len(part.minute), bool)
        if "turning" in names(self.machine):
            wanted = self.in_duty(part, "turning")
        self.past("apart").push(part.minute, np.where(wanted, one - two, np.nan))

    def judge(self) -> Verdict:
        """The same size with the other sign."""
        past = self.past("apart")
        now, usual = past.now(), past.usual()
        if now != now or usual != usual:
            return self._verdict, self._known.state()
        same_side = all(figure * usual > 0 for figure in past.figures)
        turned = same_side and abs(usual) >= self.figure["least"] and now * usual < 0
        turned = turned and 1 / ALIKE <= abs(now / usual) <= ALIKE
        return logic.TRUE if turned else logic.FALSE, [now, usual]

    def say(self, block: Block, row: int, since: int) -> Said:
        """Difference now and before."""
        now, usual = self.facts(row)
        one, two = (s.label() for s in self.signals)
        return Said(
            f"{one.capitalize()} used to be {number(abs(usual))} K "
            f"{'above' if usual > 0 else 'below'} {two} and is now {number(abs(now))} K "
            f"{'above' if now > 0 else 'below'}. This speaks of the sensors, not of the machine.",
            "Each is watched with the limits of the other.",
            {"apart": now, "usual": usual},
            f"{one} and {two} seem to be swapped",
        )
