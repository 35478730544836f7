"""A probe or tool setter calibrates to another offset than its scatter explains.

Individuals and moving range: the scatter follows from the middle of the differences between
neighbours (divided by 0.954, the median of |difference| of a normal with sigma 1). Four sigma and
4 um leave the daily scatter of 1 to 2 um alone (common practice, no source). After a step the new
level is the base. A written entry about work on the machine since the last calibration makes it a
note that asks for confirmation instead of an alert.
"""

from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Marks, Said
from condmon.engine.expression import Pair
from condmon.engine.past import middle
from condmon.engine.records import SECOND_US, Action
from condmon.engine.settings import Machine, Settings, Signal, Urgency
from condmon.engine.words import number, shown

MEDIAN_RANGE = 0.954
NEED, KEPT = 5, 30
LASTS_S = 86400
WORK = ("service", "repair", "replac", "exchang", "adjust", "chang", "crash", "set", "clean")


def speaks_of_work(action: Action) -> bool:
    """Whether a note tells of work on the machine."""
    return any(word in action.text.lower() for word in WORK)


class ProbeShift(Check):
    """Needs `probe_offset`; two checks a probe, one of which speaks after an entry about work."""

    id = "probe-shift"
    sees = "a probe or tool setter offset moved by more than its scatter"
    urgency: Urgency = "today"
    figures: ClassVar[dict[str, float]] = {"sigmas": 4.0, "least": 4.0}
    title = "probe offset has moved"
    why = "Every part that is measured or set with it is off by as much."
    look_first = (
        "Calibrate again with a clean stylus and ball; is it the same?",
        "Stylus tight and whole? Was there a knock?",
        "If it stays: the spindle, the table or the setter has moved. Check the geometry.",
    )
    caution = LOCKOUT

    def __init__(
        self, settings: Settings, machine: Machine, signals: tuple[Signal, ...], *, after_work: bool
    ) -> None:
        name = signals[0].name
        super().__init__(settings, machine, signals, f"{name}/after-work" if after_work else name)
        self._after_work = after_work
        if after_work:
            self.urgency = "note"
            self.title = "probe offset has moved after work on the machine"
        self._values: list[float] = []  # since the last step
        self._work, self._until = "", 0
        self._step = Marks([0.0, 0.0, 0.0, 0.0])  # value, centre, sigma, said to be unexpected
        self._words = ""
        self._last: list[float] = []  # figures of the last step, whoever of the two spoke
        self._unexpected = False  # somebody said so, and it is not told yet

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """Two checks a probe."""
        return [
            cls(settings, machine, (probe,), after_work=after)
            for probe in machine.by_role("probe_offset")
            for after in (False, True)
        ]

    def told(self, action: Action) -> None:
        """An entry about work on the machine explains the next step."""
        super().told(action)
        if action.do == "note" and speaks_of_work(action):
            self._work = action.text[:200]

    def worked(self, words: str) -> None:
        """Work in the service book explains the next step as a note does."""
        self._work = words[:200]

    def answered(self, signal: str, *, yes: bool) -> None:
        """Expected: the question is closed. Not expected: it is an alert of its own."""
        if signal != self.signals[0].name:
            return
        self._until = 0
        self._unexpected = not yes and not self._after_work and bool(self._last)

    def renew(self) -> None:
        """The next calibrations are the base."""
        self._values, self._last, self._until, self._unexpected = [], [], 0, False

    def push(self, block: Block) -> Pair:
        """True for a day after a step, or until the next calibration that fits the new level."""
        self._step.begin()
        if self._unexpected:
            self._unexpected, self._until = False, block.first + LASTS_S
            self._step.add(0, [*self._last, 1.0])
        on = np.zeros(block.n, bool)
        on[: max(self._until - block.first, 0)] = True
        times, values = block.readings_of(self.signals[0].name)
        for at_us, value in zip(times.tolist(), values.tolist(), strict=True):
            row = int(at_us // SECOND_US - block.first)
            facts = self._take(value)
            if facts is not None and bool(self._work) == self._after_work:
                self._until = block.first + row + LASTS_S
                on[row : row + LASTS_S] = True
                self._step.add(row, [*facts, 0.0])
                self._words = self._work
            self._work = ""
        column = logic.truth(on, np.ones(block.n, bool))
        return Pair(column, column)

    def _take(self, value: float) -> list[float] | None:
        """Figures of a step, if this calibration is one; it begins a new base."""
        if len(self._values) >= NEED:
            centre = middle(self._values)
            ranges = [abs(b - a) for a, b in zip(self._values, self._values[1:], strict=False)]
            sigma = middle(ranges) / MEDIAN_RANGE
            if abs(value - centre) > max(self.figure["sigmas"] * sigma, self.figure["least"]):
                self._values = [value]
                self._last = [value, centre, sigma]
                return self._last
        self._values = [*self._values, value][-KEPT:]
        return None

    def say(self, block: Block, row: int, since: int) -> Said:
        """Old and new offset; with an entry, the question whether that was meant."""
        value, centre, sigma, unexpected = self._step.at(row)
        probe, unit = self.signals[0], shown(self.signals[0].unit)
        what = (
            f"{probe.label().capitalize()} calibrated to {number(value)}{unit}; "
            f"{number(centre)}{unit} with a scatter of {number(sigma, 2)}{unit} was usual: "
            f"a step of {number(value - centre)}{unit}"
        )
        if self._after_work:
            what += f', the first since "{self._words}". Was that meant? Please confirm.'
        elif unexpected:
            what += ", and it was not expected."
        else:
            what += ", and no entry says why."
        return Said(
            what,
            "Parts measured with it are off by the step.",
            {"value": value, "before": centre, "sigma": round(sigma, 3)},
        )

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "rest": [self._values, self._work, self._until, self._words],
            "asked": [self._last, self._unexpected],
            "step": self._step.state(),
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._values, self._work, self._until, self._words = state["rest"]
        self._last, self._unexpected = state["asked"]
        self._step.load(state["step"])
