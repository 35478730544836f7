"""A bearing is hotter than its speed and surroundings explain, or than before at the same speed.

With a fitted thermal model: what is measured less what the model expects, beyond 3 K and four
times the model's own scatter for 20 turning minutes (a time constant; shorter would be the lag
itself). Without one: beyond 3 K over what the same speed gave before, not cooling down from a
faster one, for ten minutes. 3 K is beyond what cutting loads do (common practice, no source). Where
neither room nor coolant supply is known only the hours after a hard stop are judged, because the
room moves less than that in them.
"""

import math
from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.bearing_minutes import BearingMinutes, Keeper, Row
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Marks, Said, Taken, first
from condmon.engine.expression import Pair
from condmon.engine.hardstop import HardStop
from condmon.engine.levels import SLOPE_MAX, Steady, Window
from condmon.engine.records import SECOND_US
from condmon.engine.settings import Machine, Settings, Signal
from condmon.engine.thermal import BearingModel, Runner
from condmon.engine.thermal_file import KIND, MachineModel, ModelError, model_of
from condmon.engine.thermal_words import facts_of, model_words, trend_words
from condmon.engine.usual import Usual, plausible_shares
from condmon.engine.words import number

AFTER_STOP_H = 8.0
TOLD_DAYS = 14.0
"""A hard stop is named for so many days."""
NO_MODEL = "no model yet: until there is one it is compared with its own past at the same speed"
NOTHING = [0.0, math.nan, math.nan, 0.0, 0.0, 0.0]
"""Facts: by a model, how much hotter (K), expected or usual (Cel), speed, slope, hard stop tick."""


class BearingHot(Check):
    """Needs `bearing_temperature` and `spindle_speed`."""

    id = "bearing-hot"
    sees = "a bearing hotter than its speed and surroundings explain"
    urgency = "today"
    figures: ClassVar[dict[str, float]] = {
        "rise_k": 3.0, "sigmas": 4.0, "minutes": 10.0, "model_minutes": 20.0, "deadband": 1.0,
    }  # fmt: skip
    model = KIND
    title = "spindle bearing hotter than its speed explains"
    why = "What speed and room do not explain is friction: after a crash, or oil that is missing."
    look_first = (
        (
            "Was there a crash or a hard stop? Run it unloaded, door shut, and listen; "
            "measure runout at the nose when it stands."
        ),
        "Do oil and air reach the bearing, does the coolant flow at its set point?",
        "Is it one bearing or both? One alone points at that bearing, or at its sensor.",
    )
    caution = "The spindle is hot and may coast. " + LOCKOUT

    def __init__(
        self, settings: Settings, machine: Machine, signals: tuple[Signal, ...], subject: str
    ) -> None:
        super().__init__(settings, machine, signals, subject)
        self.keeper: Keeper | None = None  # set where a model is to be learned
        self._minutes = BearingMinutes(machine, signals[0])
        self._window, self._usual = Window(), Usual()
        self._stop = HardStop(machine)
        self._runner: Runner | None = None
        self._taken = Taken(signals[0].label(), (NO_MODEL,))
        self._hot, self._count = False, 0  # judged hot; minutes that say the other thing
        self._marks = Marks(list(NOTHING))

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check for each bearing."""
        bearings, speed = machine.by_role("bearing_temperature"), first(machine, "spindle_speed")
        if not bearings:
            return "a bearing temperature (role bearing_temperature)" if speed else ""
        if not speed:
            return "the speed of the spindle (role spindle_speed)"
        return [cls(settings, machine, (one, speed), one.name) for one in bearings]

    def renew(self) -> None:
        """What is usual begins anew; a model stays on."""
        self._usual, self._hot, self._count = Usual(), False, 0

    def take_model(self, made: str, content: str) -> str:
        """From now on judge by a model, or without one where it has none for this bearing."""
        try:
            whole = model_of(content, self.machine.id)
        except ModelError as error:
            return str(error)
        found = whole.bearings.get(self.signals[0].name)
        self._minutes.model = found
        self._runner = None if found is None else Runner(found)
        self._taken = self._told(whole, found)
        return ""

    def learned(self) -> Taken:
        """The model and what the weeks say of it."""
        return self._taken

    def _told(self, whole: MachineModel, found: BearingModel | None) -> Taken:
        bearing = self.signals[0]
        if found is None:
            why = f"no model: {whole.refused.get(bearing.name, 'it was not learned')}"
            return Taken(bearing.label(), (why,), f"{bearing.label()}: {why}")
        trend = whole.trends.get(bearing.name)
        lines = model_words(found)
        if trend is None:
            return Taken(bearing.label(), tuple(lines), f"{bearing.label()}: {', '.join(lines)}")
        weeks = trend_words(found, trend, self.settings.calendar)
        text = f"{bearing.label()}: {', '.join(weeks)}"
        return Taken(bearing.label(), (*weeks, *lines), text, facts_of(found, trend, bearing.name))

    def push(self, block: Block) -> Pair:
        """True from the minute at which it is sure, until it is sure that it is over."""
        if self.keeper is not None:
            self.keeper.push(block)
        self._marks.begin()
        self._stop.push(block)
        on = np.full(block.n, logic.TRUE if self._hot else logic.FALSE, np.int8)
        for row in self._minutes.push(block):
            steady = self._window.push(row)
            seen = self._by_model(row) if self._runner else self._by_past(block, row, steady)
            if seen is not None:
                self._judge(*seen)
                on[row.row :] = logic.TRUE if self._hot else logic.FALSE
        return Pair(on, on)

    def _by_model(self, row: Row) -> tuple[float, float, float] | None:
        """How much hotter, the limit, and for how many minutes; None where nothing can be said."""
        assert self._runner is not None
        seen = self._runner.step(row.as_minute())
        if math.isnan(seen.residual_k) or not seen.heat > 0.0:
            return None
        limit = max(self.figure["rise_k"], self.figure["sigmas"] * self._runner.model.sigma_k)
        stop = float(self._stop.last_tick)
        self._marks.add(row.row, [1.0, seen.residual_k, seen.expected_c, row.speed, 0.0, stop])
        return seen.residual_k, limit, self.figure["model_minutes"]

    def _by_past(
        self, block: Block, row: Row, steady: Steady | None
    ) -> tuple[float, float, float] | None:
        if steady is None:
            return None
        shares = plausible_shares(self._minutes.has_room, self._minutes.has_supply)
        rise, usual = self._usual.compare(steady, shares)
        if steady.settled:
            self._usual.add(steady, rise, row.minute)
        if math.isnan(rise) or steady.slope < -SLOPE_MAX:
            return None
        stop = self._stop.last_tick
        if not shares:
            after_h = (block.first + row.row - stop) / 3600.0 if stop else math.inf
            if after_h > AFTER_STOP_H and not self._hot:
                return None
        facts = [0.0, rise, usual, steady.speed, steady.slope, float(stop)]
        self._marks.add(row.row, facts)
        return rise, self.figure["rise_k"], self.figure["minutes"]

    def _judge(self, rise: float, limit: float, minutes: float) -> None:
        """Change sides after so many judged minutes in a row that say so."""
        other = rise < limit - self.figure["deadband"] if self._hot else rise >= limit
        self._count = self._count + 1 if other else 0
        if self._count >= minutes:
            self._hot, self._count = not self._hot, 0

    def say(self, block: Block, row: int, since: int) -> Said:
        """How much hotter, against what, at which speed, and since which hard stop."""
        by_model, rise, usual, speed, slope, stop = self._marks.at(row)
        bearing = self.signals[0]
        against = "speed and surroundings explain" if by_model else "the same speed gave before"
        what = (
            f"{bearing.label().capitalize()} is at {number(usual + rise)} °C at about "
            f"{number(round(speed, -1))} /min: {rise:.1f} K hotter than {against}."
        )
        if slope > SLOPE_MAX / 2:
            what += " It is still rising."
        if since_stop := self._stop_text(stop, block.first + row):
            what += f" There was a hard stop at {since_stop}."
        trip = f"The machine stops itself at {bearing.trip:g} °C." if bearing.trip else ""
        title = f"{bearing.label()} {rise:.0f} K hotter than its speed explains"
        if since_stop:
            title += f" since the hard stop at {since_stop}"
        facts: dict[str, float | str | bool | None] = {
            "value": round(usual + rise, 2), "unit": bearing.unit, "expected": round(usual, 2),
            "residual": round(rise, 2), "speed": round(speed), "by_model": bool(by_model),
            "hard_stop": since_stop or None,
        }  # fmt: skip
        if by_model and self._runner is not None:
            facts["sigmas"] = round(rise / self._runner.model.sigma_k, 1)
        return Said(what, trip or "It may not hold its speed for much longer.", facts, title)

    def _stop_text(self, stop: float, tick: int) -> str:
        if not stop or tick - stop > TOLD_DAYS * 86400:
            return ""
        text = self.settings.calendar.text(int(stop) * SECOND_US)
        return text[11:16] if tick - stop < 43200 else text[:16]

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "minutes": self._minutes.state(), "window": self._window.state(),
            "usual": self._usual.state(), "stop": self._stop.state(),
            "runner": self._runner.state() if self._runner else None,
            "rest": [self._hot, self._count, self._marks.state()],
        }  # fmt: skip

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._minutes.load(state["minutes"])
        self._window.load(state["window"])
        self._usual.load(state["usual"])
        self._stop.load(state["stop"])
        if self._runner:
            self._runner.load(state["runner"])
        self._hot, self._count, marks = state["rest"]
        self._marks.load(marks)
