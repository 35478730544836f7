"""A reading scatters far more than it used to, while its middle stays: the sensor or its cable.

The scatter is taken from second differences of neighbouring minutes, which a slow rise or fall does
not touch. Four times the usual scatter is no chance; below 0.4 K, 0.1 bar or 1 % it does not matter
(common practice, no source). A scatter that swings to a beat is named: mains pick-up that the
sampling folds down to a slow swing looks like that.
"""

from math import nan, sqrt
from typing import ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, MAINS, Said
from condmon.engine.checks.slow import NOT_YET, Slow, Verdict
from condmon.engine.minutely import Minutely
from condmon.engine.past import READY_DAYS, Past
from condmon.engine.settings import Machine, Settings, Signal
from condmon.engine.words import number, shown

ROLES = (
    "bearing_temperature",
    "coolant_supply_temperature",
    "room_temperature",
    "air_pressure",
    "way_oil_level",
)
LEAST = {"Cel": 0.4, "bar": 0.1, "%": 1.0}
SIGMA = 0.6745 * sqrt(6)  # median of |second difference| of a normal with sigma 1
KEPT = 60
BEAT_SCATTER = 0.2


class SensorNoisy(Slow):
    """Needs a temperature, air pressure or oil level."""

    id = "sensor-noisy"
    sees = "a reading that scatters far more than it used to"
    urgency = "note"
    hold_s = 600.0
    release_s = 7200.0
    figures: ClassVar[dict[str, float]] = {"times_usual": 4.0}
    title = "a sensor has become noisy"
    why = "A sensor that scatters hides what it should show, and ends as a false alarm or silence."
    look_first = (
        "Plug and cable: moisture, a screw that is loose, a cable that moves.",
        "The shield: earthed at one end? A new drive or cable beside it?",
        "Exchange it with its sibling: does the noise go along? Then put both back.",
    )
    caution = MAINS + LOCKOUT

    def __init__(self, settings: Settings, machine: Machine, signal: Signal) -> None:
        super().__init__(settings, machine, (signal,), signal.name)
        self.lists["before"] = [nan, nan, -1.0]  # the two values before, minute of the last
        self.lists["series"] = []

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a sensor."""
        return [cls(settings, machine, s) for role in ROLES for s in machine.by_role(role)]

    def new_past(self) -> Past:
        """Twenty minutes make a day."""
        return Past(least=20, recent=40, base=READY_DAYS)

    def learn(self, part: Minutely) -> None:
        """Take the second differences of minutes that follow one another."""
        value = part.last[:, self.column(self.signals[0])]
        two, one, minute = self.lists["before"]
        if int(part.minute[0]) != int(minute) + 1:
            two = one = nan
            self.lists["series"] = []
        before = np.concatenate([[two, one], value])
        bend = np.abs(before[2:] - 2 * before[1:-1] + before[:-2]) / SIGMA
        gaps = np.flatnonzero(np.diff(part.minute) != 1) + 1
        for gap in gaps.tolist():
            bend[gap : gap + 2] = nan
        self.past("bend").push(part.minute, bend)
        start = int(gaps[-1]) if len(gaps) else 0
        series = [] if start else self.lists["series"]
        self.lists["series"] = [*series, *value[start:].tolist()][-KEPT:]
        last = value[-1] if len(value) - start > 0 else nan
        previous = before[-2] if len(value) - start > 1 or not start else nan
        self.lists["before"] = [float(previous), float(last), float(part.minute[-1])]

    def judge(self) -> Verdict:
        """Compare the scatter of the last minutes with the usual one."""
        past = self.past("bend")
        now, usual = past.now(), past.usual()
        if now != now or usual != usual:
            return NOT_YET
        least = LEAST.get(self.signals[0].unit, 0.02 * abs(self.lists["before"][1]))
        noisy = now > max(usual * self.figure["times_usual"], least)
        return logic.TRUE if noisy else logic.FALSE, [
            now,
            usual,
            self._beat_min() if noisy else nan,
        ]

    def _beat_min(self) -> float:
        """Minutes from swing to swing if they come to a beat, else NaN."""
        series = np.array(self.lists["series"])
        if len(series) < KEPT or np.isnan(series).any():
            return nan
        level = series - np.median(series)
        rises = np.flatnonzero((level[1:] > 0) & (level[:-1] <= 0))
        steps = np.diff(rises)
        if len(steps) < 4 or steps.std() > BEAT_SCATTER * steps.mean():
            return nan
        return float(steps.mean())

    def say(self, block: Block, row: int, since: int) -> Said:
        """Scatter now and usual."""
        now, usual, beat = self.facts(row)
        signal, unit = self.signals[0], shown(self.signals[0].unit)
        what = (
            f"{signal.label().capitalize()} scatters by {number(now, 2)}{unit}; "
            f"{number(usual, 2)}{unit} was usual. This speaks of the sensor, not of the machine."
        )
        if beat == beat:
            what += f" It swings to a beat of {number(beat, 2)} min: think of mains pick-up."
        return Said(
            what,
            "It gets worse until the reading is of no use.",
            {"scatter": round(now, 4), "usual": round(usual, 4)},
            f"{signal.label()} has become noisy",
        )
