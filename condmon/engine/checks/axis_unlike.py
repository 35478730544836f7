"""One axis carries more load than it used to, and its siblings do not.

Each axis is compared with its own first days, because an axis that carries weight is always higher,
and the change is compared with that of its siblings, because another job loads them all. A quarter
more than usual is beyond the scatter of jobs; at 1.6 times there is little time left (common
practice, no source). Without a sibling the own past alone must speak louder.
"""

from typing import ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Said
from condmon.engine.checks.slow import NOT_YET, Slow, Verdict
from condmon.engine.expression import Pair
from condmon.engine.minutely import Minutely
from condmon.engine.past import Past, middle
from condmon.engine.settings import Machine, Settings, Signal, Urgency
from condmon.engine.words import changed, number, shown

ALONE = 1.2  # how much further the limit lies without a sibling
Found = tuple[float, float, list[float]]
LEAST = 3.0  # percent of load: a smaller rise is noise of an idle axis


class AxisUnlike(Slow):
    """Needs `axis_load` with `axis`; two checks an axis, of which the second is more urgent."""

    id = "axis-unlike"
    sees = "one axis with more load than before and than its siblings"
    urgency: Urgency = "note"
    release_s = 7200.0
    figures: ClassVar[dict[str, float]] = {"times_usual": 1.25, "much": 1.6, "unlike": 1.15}
    title = "one axis works harder than it did"
    why = (
        "Friction that grows in one axis is a guide, a ball screw or a cover on its way out; it "
        "shows in the load long before the drive complains."
    )
    look_first = (
        "Way oil: does it reach this axis? Look for dry and rusty guides.",
        "Chips under the cover or wiper of this axis; does the cover bind?",
        "Was the last job heavier on this axis? Compare the same program.",
    )
    caution = "A vertical axis can fall when its brake or belt is loosened. " + LOCKOUT

    def __init__(
        self,
        settings: Settings,
        machine: Machine,
        signals: tuple[Signal, ...],
        note: "AxisUnlike | None" = None,
    ) -> None:
        axis = signals[0].axis or signals[0].name
        super().__init__(settings, machine, signals, axis if note is None else f"{axis}/much")
        self._note = note  # it has learned from the same block already
        self.seen: list[Found] = []  # at each ten minutes of this block
        self._times = self.figure["times_usual" if note is None else "much"]
        if note is not None:
            self.urgency = "today"
            self.title = "one axis works much harder than it did"

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """Two checks an axis: a note, and a stronger word."""
        loads = machine.by_role("axis_load")
        out: list[Self] = []
        for load in loads:
            signals = (load, *(s for s in loads if s is not load))
            note = cls(settings, machine, signals)
            out += [note, cls(settings, machine, signals, note)]
        return out

    def learn(self, part: Minutely) -> None:
        """Take the loads of the minutes in which a program runs."""
        if self._note is not None:
            return
        busy = self.all_on(part, "cycle_running")
        busy &= self.all_on(part, "power")
        for signal in self.signals:
            self.past(signal.name).push(
                part.minute, np.where(busy, self.mean(part, signal), np.nan)
            )

    def push(self, block: Block) -> Pair:
        """The verdict at each tick; both checks of an axis look at the same figures."""
        self.seen = []
        return super().push(block)

    def judge(self) -> Verdict:
        """Compare the change of this axis with its past and with the change of its siblings."""
        found = self._found() if self._note is None else self._note.seen[len(self.seen)]
        self.seen.append(found)
        now, usual, changes = found
        if now != now or usual != usual:
            return NOT_YET
        if now <= usual * self._times or now <= usual + LEAST:
            return logic.FALSE, []
        siblings = middle(changes)
        more = bool(changes) or now > usual * self._times * ALONE
        unlike = not changes or now / max(usual, 0.1) > siblings * self.figure["unlike"]
        return logic.TRUE if more and unlike else logic.FALSE, [now, usual, siblings]

    def _found(self) -> Found:
        """Load now, usual load, and the change of each sibling."""
        own, *others = (self.past(s.name) for s in self.signals)
        now, usual = own.now(), own.usual()
        if now != now or usual != usual:
            return now, usual, []
        both = [(past.now(), past.usual()) for past in others]
        return now, usual, [new / old for new, old in both if old > 0 and new == new]

    def renew(self) -> None:
        """What is usual begins anew, for the note and for the stronger word."""
        super().renew()
        if self._note is not None:
            self._note.renew()

    def say(self, block: Block, row: int, since: int) -> Said:
        """Load now, usual load, and what the siblings did."""
        now, usual, siblings = self.facts(row)
        signal, unit = self.signals[0], shown(self.signals[0].unit)
        what = (
            f"{signal.label().capitalize()} is at {number(now)}{unit} while a program runs; "
            f"{number(usual)}{unit} was usual, so it has risen by {100 * (now / usual - 1):.0f} %."
        )
        if siblings == siblings:
            what += f" The other axes have changed by {changed(siblings)}."
        axis = (signal.axis or signal.name).upper()
        return Said(
            what,
            "It rises on until the drive stops on overload or the position suffers.",
            {"value": now, "usual": usual, "siblings": siblings},
            f"{axis} axis works {'much ' if self.urgency == 'today' else ''}harder than it did",
            (signal.name,),
        )

    def new_past(self) -> Past:
        """An hour of work makes a day."""
        return Past(least=60)
