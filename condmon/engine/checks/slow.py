"""A check of hours, days and weeks: it learns from minutes and judges every ten of them. Pure."""

from typing import Any, ClassVar

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import Check, Marks
from condmon.engine.duty import names
from condmon.engine.expression import Pair
from condmon.engine.minutely import Minutely
from condmon.engine.past import Past
from condmon.engine.records import F64, Flags
from condmon.engine.settings import Signal

EVERY_MIN = 10
Verdict = tuple[int, list[float]]
"""TRUE, FALSE or UNKNOWN, and the figures that `say` needs."""
NOT_YET: Verdict = (logic.UNKNOWN, [])


class Slow(Check):
    """Subclasses fill in `learn` and `judge`; a verdict holds until the next.

    What is put into `pasts` and `lists` while making the check survives a restart.
    """

    base: ClassVar[str] = "Three days of work tell what is usual."

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.pasts: dict[str, Past] = {}
        self.lists: dict[str, list[float]] = {}
        self._verdict = logic.UNKNOWN
        self._known = Marks([])
        self._place = {s.name: i for i, s in enumerate(self.machine.signals)}
        self._places: dict[str, int | None] = {}  # role -> column of its first signal

    def push(self, block: Block) -> Pair:
        """The verdict at each tick, as of the last ten minutes that were over."""
        self._known.begin()
        on = np.full(block.n, self._verdict, np.int8)
        for part in block.tens:
            self.learn(part)
            if part.minute[-1] % EVERY_MIN == EVERY_MIN - 1:
                row = int(part.row[-1])
                self._verdict, facts = self.judge()
                on[row:] = self._verdict
                self._known.add(row, facts)
        return Pair(on, on)

    def learn(self, part: Minutely) -> None:
        """Take up at most ten minutes that belong together."""
        raise NotImplementedError

    def judge(self) -> Verdict:
        """The verdict at the end of ten minutes."""
        raise NotImplementedError

    def facts(self, row: int) -> list[float]:
        """The figures that were known at a row."""
        return self._known.at(row)

    def mean(self, part: Minutely, signal: Signal) -> F64:
        """Minute means of a signal, (m,)."""
        return part.mean[:, self._place[signal.name]]

    def column(self, signal: Signal) -> int:
        """The signal's place among the columns."""
        return self._place[signal.name]

    def all_on(self, part: Minutely, role: str) -> Flags:
        """Minutes in which the first state of a role was on throughout; all, if there is none."""
        place = self._first(role)
        if place is None:
            return np.ones(len(part.minute), bool)
        return np.asarray(part.mean[:, place] == 1.0)

    def all_off(self, part: Minutely, role: str) -> Flags:
        """Minutes in which the first state of a role was off throughout; all, if there is none."""
        place = self._first(role)
        if place is None:
            return np.ones(len(part.minute), bool)
        return np.asarray(part.mean[:, place] == 0.0)

    def _first(self, role: str) -> int | None:
        """Column of the first signal of a role; looked up once, for this is asked every minute."""
        if role not in self._places:
            found = self.machine.by_role(role)
            self._places[role] = self._place[found[0].name] if found else None
        return self._places[role]

    def in_duty(self, part: Minutely, name: str) -> Flags:
        """Minutes spent in one duty; none, if the machine has no such duty."""
        known = names(self.machine)
        if name not in known:
            return np.zeros(len(part.minute), bool)
        return np.asarray(part.duty == known.index(name))

    def renew(self) -> None:
        """Begin a new base: what was usual counts no more."""
        self.pasts.clear()

    def begin_anew(self) -> None:
        """The verdict too is of the machine as it was."""
        self.renew()
        self._verdict = logic.UNKNOWN

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "pasts": {name: past.state() for name, past in self.pasts.items()},
            "lists": self.lists,
            "verdict": [self._verdict, self._known.state()],
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        for name, saved in state["pasts"].items():
            self.past(name).load(saved)
        self.lists = state["lists"]
        self._verdict, known = state["verdict"]
        self._known.load(known)

    def past(self, name: str) -> Past:
        """What is usual of one thing; made when it is first asked for."""
        if name not in self.pasts:
            self.pasts[name] = self.new_past()
        return self.pasts[name]

    def new_past(self) -> Past:
        """How this check's pasts are made."""
        return Past()
