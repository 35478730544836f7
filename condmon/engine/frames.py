"""Frames: what models see of a minute of one machine, as a row of features. Pure.

A frame is made of the 60 ticks of a whole minute (`minutely.py`) and of nothing else but the last
value of the minute before, so that its bits do not depend on how a stream is cut. Of each measured
signal it takes the mean, the swing (highest less lowest) and the step from minute to minute; of
a driven state the share of time it was on. Raw pairs of ordinary values are invisible to a forest
(a bearing of 45 at 4,000 /min is no value it has not seen), so that what belongs together goes in
as one figure: a bearing over its coolant, a load at its speed, a flow at its pressure, siblings
against each other.

What a person or a program decides is left out: positions, set points, doors, offsets.
"""

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np

from condmon.engine.minutely import Minutely
from condmon.engine.records import F64
from condmon.engine.settings import Machine, Signal

LEFT_OUT = {"axis_position", "coolant_setpoint", "door_latch_time", "probe_offset", "axis_trace"}
DRIVEN = {"compressor_running", "pump_running", "air_valve"}
SIBLINGS = {"bearing_temperature", "axis_load", "axis_following_error", "vibration_velocity"}
SPEED_MIN = 50.0
FLOORS = {
    "Cel": 0.2, "K": 0.2, "%": 0.5, "/min": 10.0, "bar": 0.02, "L/min": 0.5, "um": 0.5,
    "mm/s": 0.05,
}  # fmt: skip
"""Scatter below which a feature is not believed to know better: the accuracy of common sensors
(common practice, no source)."""
FLOOR = 0.02


class Feature(NamedTuple):
    """One column of a frame."""

    name: str  # fixed, goes into a model
    words: str  # for people
    unit: str
    signals: tuple[str, ...]
    of: Callable[[Minutely, F64], F64]  # minutes and each one's step (m, k) -> (m,)

    @property
    def floor(self) -> float:
        """Scatter below which it is not believed to know better."""
        return FLOORS.get(self.unit, FLOOR)


def features(machine: Machine) -> tuple[Feature, ...]:
    """The columns of a machine's frames, in the order of its signals, then what belongs together.

    Empty where nothing is measured.
    """
    place = {s.name: i for i, s in enumerate(machine.signals)}
    out: list[Feature] = []
    for signal in machine.signals:
        if signal.role in LEFT_OUT or signal.role is None:
            continue
        if signal.kind == "measure":
            out += _measured(signal, place[signal.name])
        elif signal.role in DRIVEN:
            out.append(_share(signal, place[signal.name]))
    return (*out, *_together(machine, place)) if any(f.unit != "1" for f in out) else ()


def _measured(signal: Signal, i: int) -> list[Feature]:
    name, label, unit, own = signal.name, signal.label(), signal.unit, (signal.name,)
    return [
        Feature(f"{name}.mean", label, unit, own, lambda m, _: m.mean[:, i]),
        Feature(f"{name}.swing", f"swing of {label} within a minute", unit, own,
                lambda m, _: m.high[:, i] - m.low[:, i]),
        Feature(f"{name}.step", f"change of {label} a minute", unit, own,
                lambda _, step: step[:, i]),
    ]  # fmt: skip


def _share(signal: Signal, i: int) -> Feature:
    words = f"share of time with {signal.label()}"
    return Feature(f"{signal.name}.share", words, "1", (signal.name,), lambda m, _: m.mean[:, i])


def _together(machine: Machine, place: dict[str, int]) -> list[Feature]:
    out: list[Feature] = []
    supply = machine.by_role("coolant_supply_temperature") or machine.by_role("room_temperature")
    for bearing in machine.by_role("bearing_temperature"):
        out += [_less(bearing, other, place) for other in supply[:1] if other.unit == bearing.unit]
    for role in sorted(SIBLINGS):
        family = machine.by_role(role)
        out += [_less(a, b, place) for a, b in pairwise(family) if a.unit == b.unit]
    for load in machine.by_role("spindle_load"):
        for speed in machine.by_role("spindle_speed")[:1]:
            out.append(_per(load, speed, place, SPEED_MIN, 1000.0, f"{load.unit}.min/1000"))
    for flow in machine.by_role("air_flow"):
        for pressure in machine.by_role("air_pressure")[:1]:
            out.append(_per(flow, pressure, place, 0.5, 1.0, f"{flow.unit}/{pressure.unit}"))
    return out


def _less(a: Signal, b: Signal, place: dict[str, int]) -> Feature:
    i, j = place[a.name], place[b.name]
    words, unit = f"{a.label()} over {b.label()}", "K" if a.unit == "Cel" else a.unit
    return Feature(
        f"{a.name}-{b.name}",
        words,
        unit,
        (a.name, b.name),
        lambda m, _: m.mean[:, i] - m.mean[:, j],
    )


def _per(
    a: Signal, b: Signal, place: dict[str, int], least: float, times: float, unit: str
) -> Feature:
    i, j = place[a.name], place[b.name]

    def ratio(m: Minutely, _: F64) -> F64:
        below = np.abs(m.mean[:, j])
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(below > least, m.mean[:, i] * times / below, np.nan)

    words = f"{a.label()} at its {b.label()}"
    return Feature(f"{a.name}/{b.name}", words, unit, (a.name, b.name), ratio)


class Frames:
    """Minutes to frames; carries the minute before: its last values and its duty."""

    def __init__(self, machine: Machine) -> None:
        self.features = features(machine)
        self._last: F64 = np.full(len(machine.signals), np.nan)
        self._minute, self._duty = -1, -1

    def push(self, minutes: Minutely) -> F64:
        """One row a minute, (m, p); NaN where unknown."""
        m = len(minutes.minute)
        if not m or not self.features:
            return np.empty((m, len(self.features)))
        before = np.concatenate([self._last[None, :], minutes.last[:-1]])
        follows = np.diff(minutes.minute, prepend=self._minute) == 1
        follows &= np.diff(minutes.duty, prepend=self._duty) == 0  # a change of duty is no step
        step = np.where(follows[:, None], minutes.last - before, np.nan)
        self._last = minutes.last[-1].copy()
        self._minute, self._duty = int(minutes.minute[-1]), int(minutes.duty[-1])
        return np.stack([feature.of(minutes, step) for feature in self.features], axis=1)

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return [self._last, self._minute, self._duty]

    def load(self, state: Sequence[Any]) -> None:
        """Take up a saved state."""
        self._last, self._minute, self._duty = state
