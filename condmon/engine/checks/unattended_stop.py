"""An unattended run has stopped, and nobody is there.

A run of ten minutes (pallet changes of up to five minutes passed over) stops during the hours in
which nobody works, and no door has been opened since: no person stopped it. Two minutes lets a
pallet change or an optional stop pass (common practice, no source).
"""

from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Marks, Said, first, value_at
from condmon.engine.expression import Pair
from condmon.engine.records import SECOND_US, Flags
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import number, span

QUARTER_S = 900
PAUSE_S = 300


class UnattendedStop(Check):
    """Needs `cycle_running` and the site's `unattended` hours."""

    id = "unattended-stop"
    sees = "an unattended run that has stopped"
    urgency = "now"
    hold_s = 120.0
    release_s = 0.0
    figures: ClassVar[dict[str, float]] = {"ran_min": 10.0}
    title = "the unattended run has stopped"
    why = "Every hour until someone comes is an hour of spindle time lost, and the night's parts."
    look_first = (
        "The control's message: a tool, an alarm, a door, an empty magazine?",
        "Or has the program simply ended? Then nothing is wrong.",
        "Anything else said by condmon for this machine in the minutes before?",
    )
    caution = "Do not restart what you have not seen. " + LOCKOUT

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._ran = 0  # seconds of running, pallet changes passed over
        self._stood = 0  # seconds of standing since
        self._waiting = False  # a long run stopped, and nobody has come since
        self._stop = Marks([0, 0])  # tick of the last stop, seconds of running before it

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a machine."""
        running = first(machine, "cycle_running")
        if not running:
            return ""
        if not settings.unattended:
            return "the hours in which nobody is there ([site] unattended)"
        door = first(machine, "door_closed")
        return [cls(settings, machine, (running, door) if door else (running,))]

    def push(self, block: Block) -> Pair:
        """True from a stop in unattended hours on, until it runs again or a door opens."""
        self._stop.begin()
        running = logic.from_state(block.value_of(self.signals[0].name))
        door = logic.constant(block.n, logic.UNKNOWN)
        if len(self.signals) > 1:
            door = logic.from_state(block.value_of(self.signals[1].name))
        edges = (np.flatnonzero(np.diff(running * 3 + door)) + 1).tolist()
        stopped, alone = np.zeros(block.n, bool), self._alone(block)
        for start, stop in zip([0, *edges], [*edges, block.n], strict=True):
            if running[start] == logic.TRUE:
                self._ran += stop - start
                self._stood, self._waiting = 0, False
            elif running[start] == logic.FALSE:
                self._stands(block.first, start, stop, alone=bool(alone[start]))
                self._waiting = self._waiting and bool(door[start] != logic.FALSE)
            stopped[start:stop] = self._waiting
        on = logic.truth(stopped, np.ones(block.n, bool))
        return Pair(on, on)

    def _stands(self, first_tick: int, start: int, stop: int, *, alone: bool) -> None:
        """It stands at rows [start, stop); a stand of more than PAUSE_S ends the run."""
        if not self._stood:
            self._waiting = alone and self._ran >= self.figure["ran_min"] * 60
            self._stop.add(start, [first_tick + start, self._ran])
        self._stood += stop - start
        if self._stood > PAUSE_S:
            self._ran = 0

    def _alone(self, block: Block) -> Flags:
        """Whether nobody is expected, at each tick; the calendar is asked every quarter hour."""
        ticks = np.arange(block.first, block.first + block.n, dtype=np.int64)
        quarters, place = np.unique(ticks // QUARTER_S, return_inverse=True)
        minute = self.settings.calendar.minute_of_week
        base = np.array([minute(int(q) * QUARTER_S * SECOND_US) for q in quarters], np.int64)
        now = (base[place] + ticks % QUARTER_S // 60) % (7 * 1440)
        out = np.zeros(block.n, bool)
        for begin, end in self.settings.unattended:
            out |= (now >= begin) & (now < end) if begin < end else (now >= begin) | (now < end)
        return out

    def say(self, block: Block, row: int, since: int) -> Said:
        """When it stopped, after how long, and what the door and spindle do."""
        stopped, ran = self._stop.at(row)
        at = self.settings.calendar.text(int(stopped) * SECOND_US)[11:16]
        what = f"It stopped at {at} after running for {span(ran)}; nobody is expected now."
        if len(self.signals) > 1 and value_at(block, row, self.signals[1]) > 0.5:
            what += " The door is shut."
        speed = first(self.machine, "spindle_speed")
        if speed and (turns := value_at(block, row, speed)) == turns:
            what += (
                f" The spindle turns at {number(turns)} /min."
                if turns > 0
                else " The spindle stands."
            )
        return Said(what, "It stands until someone comes.", {"ran_s": ran})

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {"rest": [self._ran, self._stood, self._waiting, self._stop.state()]}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._ran, self._stood, self._waiting, stop = state["rest"]
        self._stop.load(stop)
