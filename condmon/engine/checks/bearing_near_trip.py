"""A bearing is near the temperature at which the machine stops itself, or on its way there.

Near: within 3 K of the trip for a minute; a spindle's heat moves about 1 K a minute at most, so
3 K leaves minutes to act (common practice, no source). On its way: with a fitted thermal model, the
heat of the last five minutes leads above the trip within half an hour. Without one: within 10 K of
the trip, and a first-order rise with a time constant of 20 min (common practice, no source) settles
above the trip and reaches it within half an hour.
"""

import math
from typing import Any, ClassVar, NamedTuple, Self

import numpy as np

from condmon.engine import logic, rolling
from condmon.engine.bearing_minutes import BearingMinutes
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Marks, Said, first, value_at
from condmon.engine.expression import Pair
from condmon.engine.logic import Column
from condmon.engine.settings import Machine, Settings, Signal
from condmon.engine.thermal import SPEED_MAX, BearingModel, Runner, highest_speed, minutes_to
from condmon.engine.thermal_file import KIND, ModelError, bearing_of
from condmon.engine.words import number, shown, span

WINDOW_S = 600
HEAT_MIN, PRESENT_MIN = 5, 2
"""Minutes whose heat decides, so that a short burst wakes nobody; and that tell the time left."""


class Ahead(NamedTuple):
    """A forecast at each tick: the bearing reaches its trip, in so many minutes (inf: never)."""

    rising: Column
    minutes: Column


class BearingNearTrip(Check):
    """Needs a `bearing_temperature` with `trip`."""

    id = "bearing-near-trip"
    sees = "a bearing close to its trip, or forecast to reach it"
    urgency = "now"
    hold_s = 60.0
    release_s = 120.0
    figures: ClassVar[dict[str, float]] = {
        "margin": 3.0,
        "deadband": 1.0,
        "lag_min": 20.0,
        "reach": 10.0,
        "ahead_min": 30.0,
    }
    model = KIND
    title = "spindle bearing near its trip"
    why = "At its trip the machine stops itself in the cut; a bearing that hot loses its life fast."
    look_first = (
        "Slow down or pause the program at a safe point; then find out why it is hot.",
        "Is the chiller holding its set point? Is coolant flowing to the spindle?",
        "Did oil and air reach the bearing? Was there a hard stop lately?",
    )
    caution = "The spindle is hot and may coast. " + LOCKOUT

    def __init__(
        self, settings: Settings, machine: Machine, signals: tuple[Signal, ...], subject: str
    ) -> None:
        super().__init__(settings, machine, signals, subject)
        self._window = rolling.Window(WINDOW_S)
        self._modelled = _Modelled(machine, signals[0], self.figure["margin"])
        self._minutes: Column = np.empty(0)

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check for each bearing that has a trip."""
        bearings = machine.by_role("bearing_temperature")
        if not bearings:
            return (
                "a bearing temperature (role bearing_temperature)"
                if first(machine, "spindle_speed")
                else ""
            )
        tripped = [b for b in bearings if b.trip is not None]
        if not tripped:
            return f"the temperature at which the machine stops itself ({bearings[0].name}: trip)"
        return [cls(settings, machine, (b,), b.name) for b in tripped]

    def take_model(self, made: str, content: str) -> str:
        """Forecast by a model from now on, or without one where it has none for this bearing."""
        try:
            found = bearing_of(content, self.machine.id, self.signals[0].name)
        except ModelError as error:
            return str(error)
        self._modelled.take(found)
        return ""

    def push(self, block: Block) -> Pair:
        """Near the trip, or forecast to reach it."""
        f, trip = self.figure, float(self.signals[0].trip or 0.0)
        temp = block.value_of(self.signals[0].name)
        whole = self._window.extend(temp, block.blind_s)
        with np.errstate(invalid="ignore", divide="ignore"):
            if self._modelled.on:
                ahead = self._modelled.push(block, temp, f["ahead_min"])
            else:
                ahead = self._by_slope(temp, rolling.slope_per_min(whole, WINDOW_S), trip)
            self._minutes = ahead.minutes
            near = temp >= trip - f["margin"]
            eased = temp >= trip - f["margin"] - f["deadband"]
        known, rising = ~np.isnan(temp), ahead.rising > 0.0
        return Pair(logic.truth(near | rising, known), logic.truth(eased | rising, known))

    def _by_slope(self, temp: Column, slope: Column, trip: float) -> Ahead:
        """Without a model: a rise that settles one usual lag ahead."""
        f = self.figure
        steady = temp + slope * f["lag_min"]
        share = (steady - trip) / (steady - temp)
        minutes = np.where((steady > trip) & (slope > 0), -f["lag_min"] * np.log(share), np.inf)
        rising = (temp >= trip - f["reach"]) & (steady > trip + 1.0) & (minutes <= f["ahead_min"])
        return Ahead(rising.astype(np.float64), minutes)

    def say(self, block: Block, row: int, since: int) -> Said:
        """Temperature, trip, minutes to it if it rises, and the speed that can be held."""
        bearing = self.signals[0]
        trip, temp = float(bearing.trip or 0.0), value_at(block, row, bearing)
        unit, minutes = shown(bearing.unit), float(self._minutes[row])
        name = bearing.label().capitalize()
        what = f"{name} is at {number(temp)}{unit}; it trips at {trip:g}{unit}."
        speed = first(self.machine, "spindle_speed")
        if speed and (turning := value_at(block, row, speed)) > 0:
            what += f" The spindle turns at {number(turning)} /min."
        rising = math.isfinite(minutes) and temp < trip
        facts: dict[str, str | float | int | bool | None] = {
            "value": temp,
            "unit": bearing.unit,
            "trip": trip,
            "minutes_to_trip": round(minutes, 1) if rising else None,
        }
        then = f"The machine stops itself at {trip:g}{unit}."
        if rising:
            then = f"At this speed it reaches its trip in about {span(minutes * 60)}."
        if self._modelled.on:
            then += self._modelled.words(row, temp, trip, facts, rising=rising)
        near = temp >= trip - self.figure["margin"]
        title = f"{bearing.label()} {'near' if near else 'rising towards'} its trip"
        return Said(what, then, facts, title)

    def outlook(self) -> str:
        """Where the bearing settles at this speed, and the speed that could be held."""
        return self._modelled.outlook() if self._modelled.on else ""

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {**self._window.state(), "modelled": self._modelled.state()}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._window.load(state)
        self._modelled.load(state["modelled"])


class _Modelled:
    """The forecast of a fitted model: where the heat of the last minutes leads.

    The mean of HEAT_MIN decides; the time left is told for the heat of the last PRESENT_MIN where
    that is more. What the bearing runs hotter than the model is taken to stay.
    """

    def __init__(self, machine: Machine, bearing: Signal, margin: float) -> None:
        self._minutes = BearingMinutes(machine, bearing)
        self._trip, self._margin = float(bearing.trip or 0.0), margin
        self._runner: Runner | None = None
        self._heat: list[float] = []
        self._marks = Marks([math.nan] * 5)  # steady so far and at present, around, excess, heat

    @property
    def on(self) -> bool:
        """Whether there is a model."""
        return self._runner is not None

    def take(self, model: BearingModel | None) -> None:
        """Begin with a model, or without."""
        self._minutes.model = model
        self._runner = None if model is None else Runner(model)
        self._heat, self._marks = [], Marks([math.nan] * 5)

    def push(self, block: Block, temp: Column, ahead_min: float) -> Ahead:
        """The forecast at each tick, as of the last minute that is over."""
        assert self._runner is not None
        model = self._runner.model
        self._marks.begin()
        steady = np.full(block.n, self._marks.state()[0])
        present = np.full(block.n, self._marks.state()[1])
        for row in self._minutes.push(block):
            seen = self._runner.step(row.as_minute())
            known = [] if math.isnan(seen.heat) else [*self._heat, seen.heat]
            self._heat = known[-HEAT_MIN:]
            facts = [math.nan] * 5
            if len(self._heat) == HEAT_MIN and not math.isnan(seen.residual_k):
                heat = sum(self._heat) / HEAT_MIN
                now = max(heat, sum(self._heat[-PRESENT_MIN:]) / PRESENT_MIN)
                excess = max(seen.residual_k, 0.0)
                base = seen.around_c + model.offset_k + excess
                facts = [base + model.gain_k * heat, base + model.gain_k * now]
                facts += [seen.around_c, excess, now]
            self._marks.add(row.row, facts)
            steady[row.row :], present[row.row :] = facts[0], facts[1]
        rising = (steady > self._trip + 1.0) & (self._left(steady, temp) <= ahead_min)
        return Ahead(rising.astype(np.float64), self._left(present, temp))

    def _left(self, steady: Column, temp: Column) -> Column:
        """Minutes to the trip on the way to a steady temperature, inf where it stays below."""
        assert self._runner is not None
        share = (steady - temp) / (steady - self._trip)
        tau_min = self._runner.model.tau_s / 60.0
        minutes = np.where(steady > self._trip, tau_min * np.log(share), np.inf)
        return np.where(temp >= self._trip, 0.0, minutes)

    def words(
        self,
        row: int,
        temp: float,
        trip: float,
        facts: dict[str, str | float | int | bool | None],
        *,
        rising: bool,
    ) -> str:
        """The interval of the forecast and the speed that stays under the trip, also as facts."""
        assert self._runner is not None
        model = self._runner.model
        _, steady, around, excess, heat = self._marks.at(row)
        if math.isnan(steady):
            return ""
        speed = model.speed_ref * math.pow(heat, 1.0 / model.exponent) if heat > 0.0 else 0.0
        reach = minutes_to(model, temp, steady, trip, model.steady_se(speed) + model.sigma_k)
        held = highest_speed(model, around, trip, self._margin, excess)
        held = math.floor(held / 100.0) * 100.0
        facts["steady"] = round(steady, 1)
        facts["speed_held"] = held
        out = ""
        if rising:
            facts["minutes_soonest"] = round(reach.soonest, 1)
            facts["minutes_latest"] = round(reach.latest, 1) if reach.latest < 1e4 else None
            latest = f"{reach.latest:.0f} min" if reach.latest < 1e4 else "never"
            out = (
                f" (Between {reach.soonest:.0f} min and {latest}; it would settle at {steady:.0f}.)"
            )
        if 0.0 < held < SPEED_MAX:
            out += (
                f" Up to about {number(held)} /min it stays {self._margin:g} K under its trip,"
                " as things are now."
            )
        return out

    def outlook(self) -> str:
        """Headroom in words, as of the last minute; empty where the model cannot tell."""
        assert self._runner is not None
        model = self._runner.model
        steady, _, around, excess, heat = self._marks.state()
        if math.isnan(steady):
            return ""
        held = highest_speed(model, around, self._trip, self._margin, excess)
        held = math.floor(held / 100.0) * 100.0
        out = ""
        if heat > 0.0:
            speed = model.speed_ref * math.pow(heat, 1.0 / model.exponent)
            out = f"at about {number(round(speed, -2))} /min it settles at {steady:.0f} °C; "
        if held <= 0.0:
            return f"{out}no speed stays {self._margin:g} K under its trip as things are now"
        if held >= SPEED_MAX:
            return f"{out}any speed stays {self._margin:g} K under its trip"
        return f"{out}up to about {number(held)} /min stays {self._margin:g} K under its trip"

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        runner = self._runner.state() if self._runner else None
        return [self._minutes.state(), runner, self._heat, self._marks.state()]

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        minutes, runner, self._heat, marks = state
        self._minutes.load(minutes)
        self._marks.load(marks)
        if self._runner:
            self._runner.load(runner)
