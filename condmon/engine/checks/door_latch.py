"""The door latches slower, or only on the second push, more and more often.

Each closing is judged when the latch reads locked: first try or not, and how long it took. Five
second tries in the last twenty closings is no accident (common practice, no source); latching is
slow when the median of the last twenty is half as long again as the first fifty, and 0.3 s more.
Chatter of the latch switch while the door stays shut is named as such: a chip, a loose cable, not
a door.
"""

from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Marks, Said, first
from condmon.engine.edges import Edge, Edges
from condmon.engine.expression import Pair
from condmon.engine.ids import short_id
from condmon.engine.outputs import Entry
from condmon.engine.records import SECOND_US
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import number

RECENT, BASE, JUDGED_FROM = 20, 50, 10
SAME_CLOSING_US = 120 * SECOND_US
BOUNCE_US = 5 * SECOND_US
CHATTER_WITHIN_US = 3600 * SECOND_US


class DoorLatch(Check):
    """Needs `door_closed` and `door_latched`."""

    id = "door-latch"
    sees = "the door latching slowly or only on the second push, more often than before"
    urgency = "note"
    figures: ClassVar[dict[str, float]] = {"second_of_20": 5.0, "slower": 1.5, "chatter": 3.0}
    title = "door latches badly"
    why = (
        "A latch that wears ends by stopping the machine in the middle of an unattended run, "
        "because the door does not read locked."
    )
    look_first = (
        "Chips in the latch and the door's track; does the door hang square?",
        "The latch's striker and its screws; has the door been slammed?",
        "The switch and its cable.",
    )
    caution = "Never bypass a door switch or latch. " + LOCKOUT

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        closed, latched = self.signals
        self._closed = Edges(closed.name, closed.debounce_s)
        self._latched = Edges(latched.name, latched.debounce_s)
        self._tries, self._closed_us = 0, 0
        self._second: list[int] = []  # of the last closings: 1 = second try
        self._times: list[float] = []  # of the last closings: seconds to latch
        self._base: list[float] = []  # of the first closings
        self._shut, self._bad = 0, logic.UNKNOWN
        self._chatter: list[int] = []
        self._judged = Marks([0.0] * 5)  # see _figures

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a door."""
        closed, latched = first(machine, "door_closed"), first(machine, "door_latched")
        if not closed and not latched:
            return ""
        if not closed or not latched:
            return "a door switch and a latch switch (roles door_closed and door_latched)"
        return [cls(settings, machine, (closed, latched))]

    def renew(self) -> None:
        """The next closings tell what is usual."""
        self._second, self._times, self._base = [], [], []
        self._bad = logic.UNKNOWN

    def push(self, block: Block) -> Pair:
        """True from the closing on that makes the latch bad, false from the one that clears it."""
        self._judged.begin()
        doors, _ = self._closed.push(block)
        latches, bursts = self._latched.push(block)
        on = np.full(block.n, self._bad, np.int8)
        moves = [(e.known_us, 0, e) for e in doors] + [(e.known_us, 1, e) for e in latches]
        moves += [(at_us, 2, Edge(at_us, 0, at_us)) for at_us in bursts]
        for known_us, what, edge in sorted(moves):  # in the order in which each was sure
            if what == 0:
                self._door(edge)
            elif what == 2:
                self._tell_chatter(edge.at_us)
            elif edge.state and self._latch(edge):
                row = max(0, min(known_us // SECOND_US - block.first, block.n - 1))
                on[row:] = self._bad
                self._judged.add(row, self._figures())
        return Pair(on, on)

    def _door(self, edge: Edge) -> None:
        self._shut = edge.state
        if edge.state:
            again = edge.at_us - self._closed_us < SAME_CLOSING_US
            self._tries = self._tries + 1 if again else 1
            self._closed_us = edge.at_us

    def _latch(self, edge: Edge) -> bool:
        """Judge a closing; False if no closing of the door came before."""
        if not self._tries:
            return False
        took = (edge.at_us - self._closed_us) / SECOND_US
        self._second = [*self._second, int(self._tries > 1)][-RECENT:]
        self._times = [*self._times, took][-RECENT:]
        self._base = [*self._base, took] if len(self._base) < BASE else self._base
        self._tries = 0
        if len(self._second) < JUDGED_FROM:
            self._bad = logic.UNKNOWN
        elif self._often() or self._slow():
            self._bad = logic.TRUE
        elif sum(self._second) <= self.figure["second_of_20"] / 2:
            self._bad = logic.FALSE
        return True

    def _often(self) -> bool:
        return sum(self._second) >= self.figure["second_of_20"]

    def _slow(self) -> bool:
        usual = float(np.median(self._base))
        return len(self._base) == BASE and float(np.median(self._times)) > max(
            usual * self.figure["slower"], usual + 0.3
        )

    def _tell_chatter(self, at_us: int) -> None:
        if not self._shut or at_us - self._closed_us < BOUNCE_US:
            return
        self._chatter = [*[t for t in self._chatter if at_us - t < CHATTER_WITHIN_US], at_us]
        if len(self._chatter) == self.figure["chatter"]:
            text = (
                f"latch switch chatters while the door stays shut, {len(self._chatter)} "
                "times within the hour: a chip, vibration or a loose cable, not the door"
            )
            self.entries.append(
                (
                    at_us // SECOND_US,
                    Entry(
                        short_id("chatter", self.machine.id, self.signals[1].name, at_us),
                        at_us,
                        self.machine.id,
                        "sensor",
                        text,
                        {"signal": self.signals[1].name},
                    ),
                )
            )

    def _figures(self) -> list[float]:
        """Second tries, closings, median time to latch, usual time, and whether tries weigh."""
        return [
            sum(self._second),
            len(self._second),
            float(np.median(self._times)),
            float(np.median(self._base)),
            float(self._often()),
        ]

    def say(self, block: Block, row: int, since: int) -> Said:
        """Second tries in the last closings, or the time it takes."""
        tries, of, median, usual, often = self._judged.at(row)
        if often:
            what = f"The door needed a second push in {tries:g} of the last {of:g} closings."
            title = "door needs a second push more and more often"
        else:
            what = f"The door takes {number(median)} s to latch; {number(usual)} s was usual."
            title = "door latches more slowly than before"
        facts = {"second_tries": tries, "closings": of, "latch_s": median, "usual_s": usual}
        return Said(what, "Sooner or later it does not latch, and the machine waits.", facts, title)

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "edges": [self._closed.state(), self._latched.state()],
            "lists": [self._second, self._times, self._base, self._chatter],
            "rest": [self._tries, self._closed_us, self._shut, self._bad],
            "judged": self._judged.state(),
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._closed.load(state["edges"][0])
        self._latched.load(state["edges"][1])
        self._second, self._times, self._base, self._chatter = state["lists"]
        self._tries, self._closed_us, self._shut, self._bad = state["rest"]
        self._judged.load(state["judged"])
