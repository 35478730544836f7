"""A bearing grows warmer over weeks at the same speed, long before any limit.

Like is compared with like: settled minutes at the same speed, over coolant supply or room, the
first ten days against the last three. 2 K is more than what cutting loads and unsettled minutes do
to a day's mean, 4 K is what a bearing with lost preload or tired lubrication shows before its noise
does (common practice, no source). Each is told once, not every day.
"""

from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.bearing_minutes import BearingMinutes
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Marks, Said, first
from condmon.engine.expression import Pair
from condmon.engine.levels import Levels, Window
from condmon.engine.settings import Machine, Settings, Signal, Urgency
from condmon.engine.thermal_file import ModelError, bearing_of
from condmon.engine.warming import SCATTER_TIMES, Warmer, warmer
from condmon.engine.words import number

NOTE, MORE = "rise_k", "more_k"
MORE_URGENCY: Urgency = "today"


class BearingWarming(Check):
    """Needs `bearing_temperature`, `spindle_speed` and a room or coolant supply temperature."""

    id = "bearing-warming"
    sees = "a bearing that runs warmer every week at the same speed"
    urgency: Urgency = "note"
    figures: ClassVar[dict[str, float]] = {
        NOTE: 2.0, MORE: 4.0, "deadband": 1.0, "speed_needed": 0.0,
    }  # fmt: skip
    model = "thermal"
    title = "spindle bearing grows warmer over weeks"
    why = "More heat at the same speed means more friction: preload, oil or the bearing itself."
    look_first = (
        "Compare with the other bearing, and with oil and air: does enough reach it?",
        "Is the cooling circuit clean, its flow and set point as before?",
        "Was there a hard stop, a new tool or a new program since it began?",
        "Ask the maker with these figures before it stops the machine; plan the exchange.",
    )
    caution = LOCKOUT

    def __init__(
        self,
        settings: Settings,
        machine: Machine,
        signals: tuple[Signal, ...],
        subject: str,
        stronger_of: "BearingWarming | None" = None,
    ) -> None:
        super().__init__(settings, machine, signals, subject)
        self._of = stronger_of  # it has done the work for the same block already
        self._limit = self.figure[NOTE]
        if stronger_of is not None:
            self._limit, self.urgency = self.figure[MORE], MORE_URGENCY
        self._minutes = BearingMinutes(machine, signals[0])
        self._window, self._levels = Window(), Levels()
        self._share: float | None = None
        self.changes: list[tuple[int, list[float]]] = []  # (row, facts) of this block
        self._marks = Marks([0.0] * 7)

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """Two checks for each bearing: a note, and something stronger at twice the rise."""
        bearings, speed = machine.by_role("bearing_temperature"), first(machine, "spindle_speed")
        if not bearings or not speed:
            return ""  # bearing-hot says what is missing
        if not (first(machine, "room_temperature") or first(machine, "coolant_supply_temperature")):
            return "a room or coolant supply temperature (role room_temperature)"
        out: list[Self] = []
        for bearing in bearings:
            note = cls(settings, machine, (bearing, speed), bearing.name)
            out += [note, cls(settings, machine, (bearing, speed), f"{bearing.name}/more", note)]
        return out

    def renew(self) -> None:
        """The first days begin anew, for the note and for the stronger one."""
        if self._of is not None:
            self._of.renew()
        self._levels = Levels()
        self._marks.add(0, [0.0] * 7)

    def take_model(self, made: str, content: str) -> str:
        """Only the share of the room is taken from a model; the comparison stays like for like."""
        try:
            found = bearing_of(content, self.machine.id, self.signals[0].name)
        except ModelError as error:
            return str(error)
        self._share = None if found is None else 1.0 - found.supply_share
        return ""

    def push(self, block: Block) -> Pair:
        """True while the last days are warmer than the first by the limit."""
        self._marks.begin()
        before = self._marks.state()
        if self._of is None:
            self.changes = self._days(block)
        changes = self.changes if self._of is None else self._of.changes
        on, stay = np.empty(block.n, np.int8), np.empty(block.n, np.int8)
        for row, facts in [(0, before), *changes]:
            on[row:], stay[row:] = self._judged(facts)
            if row or facts is not before:
                self._marks.add(row, facts)
        return Pair(on, stay)

    def _judged(self, facts: list[float]) -> tuple[int, int]:
        known, rise, scatter = facts[0] > 0.0, facts[1], facts[4]
        if not known:
            return logic.FALSE, logic.FALSE
        sure = rise >= SCATTER_TIMES * scatter
        on = rise >= self._limit and sure
        return (
            logic.TRUE if on else logic.FALSE,
            logic.TRUE if rise >= self._limit - self.figure["deadband"] else logic.FALSE,
        )

    def _days(self, block: Block) -> list[tuple[int, list[float]]]:
        """Facts of each day that was closed in this block."""
        out = []
        for row in self._minutes.push(block):
            steady = self._window.push(row)
            closed = [level.close_before(row.minute) for level in self._levels.levels]
            if steady and steady.settled:
                self._levels.at(steady.speed).add(row.minute, steady.now)
            if any(closed):
                out.append((row.row, self._facts()))
        return out

    def _facts(self) -> list[float]:
        """Of the level that has grown most: known, rise, speed, now, scatter, K a week from, to."""
        found = [warmer(level, self._share) for level in self._levels.levels]
        known: list[Warmer] = [one for one in found if one is not None]
        if not known:
            return [0.0] * 7
        worst = max(known, key=lambda one: one.rise_k)
        sen = worst.per_week
        low, high = (sen.low, sen.high) if sen and np.isfinite(sen.low + sen.high) else (0.0, 0.0)
        return [1.0, worst.rise_k, worst.speed, worst.now_k, worst.scatter_k, low, high]

    def say(self, block: Block, row: int, since: int) -> Said:
        """Rise, speed, what it was, and how fast it grows."""
        _, rise, speed, now, _, low, high = self._marks.at(row)
        bearing = self.signals[0]
        over = "the coolant" if self._minutes.has_supply else "the room"
        what = (
            f"At about {number(round(speed, -2))} /min {bearing.label()} settles "
            f"{number(now)} K over {over}; in its first days here it was {number(now - rise)} K."
        )
        if low > 0.0:
            what += f" It grows by {number(low, 2)} to {number(high, 2)} K a week."
        facts: dict[str, float | str] = {
            "rise": round(rise, 2), "unit": "K", "speed": round(speed), "over_now": round(now, 2),
            "per_week_low": round(low, 3), "per_week_high": round(high, 3),
        }  # fmt: skip
        trip = f" until the machine stops itself at {bearing.trip:g} °C" if bearing.trip else ""
        title = f"{bearing.label()} {rise:.1f} K warmer than in its first weeks"
        return Said(what, f"It goes on growing{trip}.", facts, title)

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        own = {"marks": self._marks.state()}
        if self._of is not None:
            return own
        return {
            **own,
            "minutes": self._minutes.state(),
            "window": self._window.state(),
            "levels": self._levels.state(),
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._marks.load(state["marks"])
        if self._of is None:
            self._minutes.load(state["minutes"])
            self._window.load(state["window"])
            self._levels.load(state["levels"])
