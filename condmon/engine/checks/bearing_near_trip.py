"""A bearing is near the temperature at which the machine stops itself, or on its way there.

Near: within 3 K of the trip for a minute; a spindle's heat moves about 1 K a minute at most, so
3 K leaves minutes to act (common practice, no source). On its way: within 10 K of the trip, and a
first-order rise with a time constant of 20 min (common practice, no source; a fitted thermal model
replaces it) settles above the trip and reaches it within half an hour.
"""

from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic, rolling
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Said, first, value_at
from condmon.engine.expression import Pair
from condmon.engine.logic import Column
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import number, shown, span

WINDOW_S = 600


class BearingNearTrip(Check):
    """Needs a `bearing_temperature` with `trip`."""

    id = "bearing-near-trip"
    sees = "a bearing close to its trip, or rising towards it"
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
    title = "spindle bearing near its trip"
    why = "At its trip the machine stops itself in the cut; a bearing that hot loses its life fast."
    look_first = (
        "Slow down or pause the program at a safe point; then find out why it is hot.",
        "Is the chiller holding its set point? Is coolant flowing to the spindle?",
        "Did oil and air reach the bearing? Was there a hard stop lately?",
    )
    caution = "The spindle is hot and may coast. " + LOCKOUT

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._window = rolling.Window(WINDOW_S)
        self._minutes: Column = np.empty(0)
        self._steady: Column = np.empty(0)

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

    def push(self, block: Block) -> Pair:
        """Near the trip, or forecast to reach it."""
        bearing, f = self.signals[0], self.figure
        trip = float(bearing.trip or 0.0)
        temp = block.value_of(bearing.name)
        slope = rolling.slope_per_min(self._window.extend(temp, block.blind_s), WINDOW_S)
        with np.errstate(invalid="ignore", divide="ignore"):
            self._steady = temp + slope * f["lag_min"]
            share = (self._steady - trip) / (self._steady - temp)
            self._minutes = np.where(
                (self._steady > trip) & (slope > 0), -f["lag_min"] * np.log(share), np.inf
            )
            rising = (
                (temp >= trip - f["reach"])
                & (self._steady > trip + 1.0)
                & (self._minutes <= f["ahead_min"])
            )
            near = temp >= trip - f["margin"]
            eased = temp >= trip - f["margin"] - f["deadband"]
        known = ~np.isnan(temp)
        return Pair(logic.truth(near | rising, known), logic.truth(eased | rising, known))

    def say(self, block: Block, row: int, since: int) -> Said:
        """Temperature, trip, and minutes to it if it rises."""
        bearing = self.signals[0]
        trip, temp = float(bearing.trip or 0.0), value_at(block, row, bearing)
        unit, minutes = shown(bearing.unit), float(self._minutes[row])
        name = bearing.label().capitalize()
        what = f"{name} is at {number(temp)}{unit}; it trips at {trip:g}{unit}."
        speed = first(self.machine, "spindle_speed")
        if speed and (turning := value_at(block, row, speed)) > 0:
            what += f" The spindle turns at {number(turning)} /min."
        rising = np.isfinite(minutes) and temp < trip
        then = (
            f"At this speed it reaches its trip in about {span(minutes * 60)}."
            if rising
            else f"The machine stops itself at {trip:g}{unit}."
        )
        near = temp >= trip - self.figure["margin"]
        return Said(
            what,
            then,
            {
                "value": temp,
                "unit": bearing.unit,
                "trip": trip,
                "minutes_to_trip": round(minutes, 1) if rising else None,
            },
            f"{bearing.label()} {'near' if near else 'rising towards'} its trip",
        )

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return self._window.state()

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._window.load(state)
