"""The chiller's compressor starts too often.

Each start is the hardest moment of a compressor's life. Makers of small hermetic compressors allow
some ten starts an hour (from memory, no source); twenty is far beyond, and twice what this chiller
usually needs, at ten or more, has a cause of its own.
"""

from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Said, chiller_compressor
from condmon.engine.checks.slow import NOT_YET, Slow, Verdict
from condmon.engine.minutely import Minutely
from condmon.engine.past import Past
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import number

HOUR = 6  # tens of minutes
FEW = 10.0


class ChillerShortCycling(Slow):
    """Needs `compressor_running` of a chiller (without `place = "air"`)."""

    id = "chiller-short-cycling"
    sees = "the chiller's compressor starting too often, or twice as often as usual"
    urgency = "today"
    hold_s = 1200.0
    release_s = 3600.0
    figures: ClassVar[dict[str, float]] = {"starts_per_h": 20.0, "times_usual": 2.0}
    title = "chiller's compressor switches on and off too often"
    why = (
        "Frequent starts wear out the compressor and its contactor, and the temperature of the "
        "spindle's coolant swings with them."
    )
    look_first = (
        "Coolant level in the chiller and flow: a blocked filter lets a little water cool fast.",
        "Has the switching difference of the chiller been changed?",
        "The chiller's temperature sensor: loose in its pocket, or its cable broken?",
    )
    caution = "Refrigerant and mains: licensed persons only. " + LOCKOUT

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.lists["changes"] = []  # of the state, in each ten minutes of the last hour

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a chiller."""
        compressor = chiller_compressor(machine)
        if compressor:
            return [cls(settings, machine, (compressor,))]
        if machine.by_role("coolant_supply_temperature"):
            return "the state of the chiller's compressor (role compressor_running)"
        return ""

    def new_past(self) -> Past:
        """An hour of switching counts; a few of them make a day."""
        return Past(least=12)

    def learn(self, part: Minutely) -> None:
        """Count changes of the compressor's state; an hour without one tells nothing."""
        changes = float(part.moved[:, self.column(self.signals[0])].sum())
        counts = self.lists["changes"]
        if part.minute[0] % 10 and counts:
            counts[-1] += changes
        else:
            self.lists["changes"] = [*counts, changes][-HOUR:]
        if part.minute[-1] % 10 == 9 and self._starts() > 0:
            self.past("starts").push(part.minute[-1:], np.array([self._starts()]))

    def _starts(self) -> float:
        counts = self.lists["changes"]
        return sum(counts) / 2 if len(counts) == HOUR else 0.0

    def judge(self) -> Verdict:
        """Too many at all, or many more than usual."""
        if len(self.lists["changes"]) < HOUR:
            return NOT_YET
        starts, usual = self._starts(), self.past("starts").usual()
        many = starts >= self.figure["starts_per_h"]
        more = starts >= FEW and starts > usual * self.figure["times_usual"]
        return logic.TRUE if many or more else logic.FALSE, [starts, usual]

    def say(self, block: Block, row: int, since: int) -> Said:
        """Starts in the last hour and what is usual."""
        starts, usual = self.facts(row)
        normal = f"; {number(usual)} is usual" if usual == usual else ""
        return Said(
            f"The compressor started {number(starts)} times within the last hour{normal}.",
            "The compressor fails early; then nothing cools the spindle.",
            {"starts_per_h": starts, "usual": usual},
        )
