"""Vibration is above what is usual at that speed.

Compared band by band of speed, because every spindle has speeds it likes less. The middle of ten
steady minutes must be 1.6 times the usual (4 dB) and 0.5 mm/s more: a change of that size means
something whatever the absolute level (after the idea of ISO 20816-1, criterion II; from memory).
"""

from typing import ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Said, first
from condmon.engine.checks.slow import Slow, Verdict
from condmon.engine.minutely import Minutely
from condmon.engine.past import Past
from condmon.engine.settings import Machine, Settings, Signal
from condmon.engine.words import number, shown

BAND = 1000.0
STEADY = 0.03
RECENT_MIN = 10


class VibrationRisen(Slow):
    """Needs `vibration_velocity` and `spindle_speed`."""

    id = "vibration-risen"
    sees = "vibration above its own baseline at the same speed"
    urgency = "today"
    hold_s = 600.0
    release_s = 3600.0
    figures: ClassVar[dict[str, float]] = {"times_usual": 1.6, "more": 0.5}
    title = "the spindle vibrates more than usual at this speed"
    why = (
        "More vibration at the same speed is a tool out of balance, a dirty taper or a bearing; "
        "surfaces suffer first, then the spindle."
    )
    look_first = (
        "Another tool at the same speed: does it go away? Then it was tool or holder.",
        "Taper and drawbar: a chip, wear, clamping force.",
        "Is it new since a hard stop or a service? See the log.",
    )
    caution = "Never reach near a turning spindle to feel for it. " + LOCKOUT

    def __init__(self, settings: Settings, machine: Machine, signals: tuple[Signal, ...]) -> None:
        super().__init__(settings, machine, signals, signals[0].name)
        self.lists["band"] = [-1.0]

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a sensor."""
        speed, sensors = first(machine, "spindle_speed"), machine.by_role("vibration_velocity")
        if sensors and not speed:
            return "a spindle speed (role spindle_speed)"
        return [cls(settings, machine, (s, speed)) for s in sensors if speed]

    def new_past(self) -> Past:
        """A quarter of an hour at a speed makes a day."""
        return Past(least=15, recent=RECENT_MIN)

    def learn(self, part: Minutely) -> None:
        """Take the minutes of steady speed, each into its band."""
        value = self.mean(part, self.signals[0])
        column = self.column(self.signals[1])
        speed, low, high = (c[:, column] for c in (part.mean, part.low, part.high))
        with np.errstate(invalid="ignore"):
            steady = (low > 50) & (high - low <= STEADY * high)
        band = np.where(steady, np.floor(np.nan_to_num(speed) / BAND), -1.0)
        for of in np.unique(band[band >= 0]).tolist():
            inside = band == of
            self.past(f"{of:.0f}").push(part.minute[inside], value[inside])
        if (band >= 0).any():
            self.lists["band"] = [float(band[band >= 0][-1])]

    def judge(self) -> Verdict:
        """Compare the band in which the spindle turned last with its own past."""
        band = self.lists["band"][0]
        if band < 0:
            return self._verdict, self._known.state()
        past = self.past(f"{band:.0f}")
        now, usual = past.now(), past.usual()
        if now != now or usual != usual:
            return self._verdict, self._known.state()
        more = now > usual * self.figure["times_usual"] and now > usual + self.figure["more"]
        return logic.TRUE if more else logic.FALSE, [now, usual, band]

    def say(self, block: Block, row: int, since: int) -> Said:
        """Vibration now and usual, with the band of speed."""
        now, usual, band = self.facts(row)
        sensor, unit = self.signals[0], shown(self.signals[0].unit)
        return Said(
            f"{sensor.label().capitalize()} is at {number(now)}{unit} between "
            f"{band * BAND:,.0f} and {(band + 1) * BAND:,.0f} /min; {number(usual)}{unit} is usual "
            "there.",
            "Surfaces get worse; if it is the bearing, it ends the spindle.",
            {"value": now, "usual": usual, "speed_from": band * BAND},
        )
