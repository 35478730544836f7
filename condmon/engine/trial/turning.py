"""Speed steps: bearings settled at each speed, vibration there, axes under way. Pure."""

import math
from typing import Any

import numpy as np

from condmon.engine.bearing_minutes import BearingMinutes
from condmon.engine.block import Block
from condmon.engine.levels import Window
from condmon.engine.settings import Machine, Signal
from condmon.engine.thermal import Runner
from condmon.engine.thermal_file import ModelError, bearing_of
from condmon.engine.trial.points import Look, Point, Taken, apart, first, kelvin

BAND = 500
"""Speeds of a run are told to the nearest 500 /min; the steps of a run lie further apart."""
AT_STEADY_K = 0.5
"""Settled by the model: what is left to the steady temperature of this speed."""


class Bearings:
    """Carried of each bearing: the minute that is not over, its last ten, the model's state."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        speed = first(machine, "spindle_speed")
        self._bearings = machine.by_role("bearing_temperature") if speed else ()
        self._minutes = [BearingMinutes(machine, one) for one in self._bearings]
        self._windows = [Window() for _ in self._bearings]
        self._runners: list[Runner | None] = [None for _ in self._bearings]

    def take_model(self, content: str) -> None:
        """Judge settling and heat by a fitted model where it has this bearing."""
        for i, bearing in enumerate(self._bearings):
            try:
                found = bearing_of(content, self._machine.id, bearing.name)
            except ModelError:
                continue
            self._minutes[i].model = found
            self._runners[i] = None if found is None else Runner(found)

    def learn(self, block: Block) -> list[Taken]:
        """Settled minutes at each speed."""
        out: list[Taken] = []
        for i, bearing in enumerate(self._bearings):
            share = 0.0 if self._minutes[i].has_supply else 1.0
            for row in self._minutes[i].push(block):
                steady = self._windows[i].push(row)
                runner = self._runners[i]
                if runner is not None:
                    seen = runner.step(row.as_minute())
                    left = runner.model.steady(row.speed, seen.around_c) - seen.expected_c
                    settled = steady is not None and abs(left) <= AT_STEADY_K
                    if settled and not math.isnan(seen.residual_k):
                        point = _by_model(bearing, runner)
                        out.append(_one(point, row.minute, seen.residual_k))
                else:
                    settled = steady is not None and steady.settled
                if steady is not None and settled:
                    point = _at_speed(bearing, steady.speed)
                    out.append(_one(point, row.minute, steady.now.over(share)))
        return out

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return [
            [m.state(), w.state(), r.state() if r else None]
            for m, w, r in zip(self._minutes, self._windows, self._runners, strict=True)
        ]

    def load(self, state: list[Any]) -> None:
        """Take up a saved state; the model is taken up before."""
        for i, (minutes, window, runner) in enumerate(state):
            self._minutes[i].load(minutes)
            self._windows[i].load(window)
            found = self._runners[i]
            if found is not None and runner is not None:
                found.load(runner)


def _one(point: Point, minute: int, value: float) -> Taken:
    return point, np.array([minute], np.int64), np.array([value])


def _at_speed(bearing: Signal, speed: float) -> Point:
    band = round(speed / BAND) * BAND
    return Point(
        f"speed/{bearing.name}/{band}",
        "speed",
        bearing.name,
        f"{bearing.label()} over its surroundings, settled at {band:,} /min",
        kelvin(bearing),
        "higher",
        0.0,
        apart(3.0, "K", bearing),
        least=3,
        day_least=5,
    )


def _by_model(bearing: Signal, runner: Runner) -> Point:
    limit = max(3.0, 4.0 * runner.model.sigma_k)
    return Point(
        f"speed/{bearing.name}/model",
        "speed",
        bearing.name,
        f"{bearing.label()} over what the thermal model expects",
        kelvin(bearing),
        "higher",
        0.0,
        apart(3.0, "K", bearing),
        least=3,
        day_least=5,
        high=limit,
    )


def vibration(look: Look) -> list[Taken]:
    """Vibration at each steady speed."""
    speed = first(look.machine, "spindle_speed")
    sensors = look.machine.by_role("vibration_velocity")
    if speed is None or not sensors:
        return []
    turning, mean = look.turning(), look.mean(speed)
    band = np.where(turning, np.rint(np.nan_to_num(mean) / BAND) * BAND, -1.0)
    out: list[Taken] = []
    for sensor in sensors:
        value = look.mean(sensor)
        for of in np.unique(band[band >= 0]).tolist():
            inside = band == of
            words = f"{sensor.label()} at {of:,.0f} /min"
            point = Point(f"speed/{sensor.name}/{of:.0f}", "speed", sensor.name, words,
                          sensor.unit, "higher", 0.6, apart(0.5, "mm/s", sensor), least=3,
                          day_least=5)  # fmt: skip
            out.append((point, look.part.minute[inside], value[inside]))
    return out


def axes(look: Look) -> list[Taken]:
    """Load and following error of each axis while a program runs."""
    busy = look.all_of("power", 1.0) & look.all_of("cycle_running", 1.0)
    out: list[Taken] = []
    roles = (("axis_load", 0.25, 3.0, "%"), ("axis_following_error", 0.4, 2.0, "um"))
    for role, times, off, code in roles:
        for one in look.machine.by_role(role):
            words = f"{one.label()} while a program runs"
            point = Point(f"axes/{one.name}", "axes", one.name, words, one.unit, "higher", times,
                          apart(off, code, one), least=10, day_least=60)  # fmt: skip
            out.append((point, look.part.minute, np.where(busy, look.mean(one), np.nan)))
    return out
