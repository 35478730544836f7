"""Frames: what models see of a minute of one machine, as a row of features. Pure.

A frame is made of the 60 ticks of a whole minute (`minutely.py`), of the last values of the minute
before and of the heat of the speeds so far, which is carried from minute to minute: its bits do not
depend on how a stream is cut. Of each measured
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
from condmon.engine.records import F64, Flags
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


HEAT_TAU_MIN = 20.0
HEAT_EXPONENT = 1.5
HEAT_KNOWN_MIN = 40
"""Heat of the speeds so far: spindles warm up within some 20 min, and friction heat grows with
about the 1.5th power of speed (common practice, no source; a fitted thermal model knows better).
Unknown for two time constants after a hole."""


class Seen(NamedTuple):
    """Minutes, and what the minutes before them add."""

    minutes: Minutely
    step: F64  # (m, k) change of each value since the minute before
    heat: F64  # (m,) of the speeds so far, in (1000 /min) ** HEAT_EXPONENT


class Feature(NamedTuple):
    """One column of a frame."""

    name: str  # fixed, goes into a model
    words: str  # for people
    unit: str
    signals: tuple[str, ...]
    of: Callable[["Seen"], F64]  # -> (m,)

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
        Feature(f"{name}.mean", label, unit, own, lambda s: s.minutes.mean[:, i]),
        Feature(f"{name}.swing", f"swing of {label} within a minute", unit, own,
                lambda s: s.minutes.high[:, i] - s.minutes.low[:, i]),
        Feature(f"{name}.step", f"change of {label} a minute", unit, own,
                lambda s: s.step[:, i]),
    ]  # fmt: skip


def _share(signal: Signal, i: int) -> Feature:
    words = f"share of time with {signal.label()}"
    return Feature(
        f"{signal.name}.share", words, "1", (signal.name,), lambda s: s.minutes.mean[:, i]
    )


def _together(machine: Machine, place: dict[str, int]) -> list[Feature]:
    out: list[Feature] = []
    supply = machine.by_role("coolant_supply_temperature") or machine.by_role("room_temperature")
    for bearing in machine.by_role("bearing_temperature"):
        out += [_less(bearing, other, place) for other in supply[:1] if other.unit == bearing.unit]
    for speed in machine.by_role("spindle_speed")[:1]:
        words = f"heat of the last half hour's {speed.label()}"
        out.append(Feature(f"{speed.name}.heat", words, "", (speed.name,), lambda s: s.heat))
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

    def less(seen: Seen) -> F64:
        return seen.minutes.mean[:, i] - seen.minutes.mean[:, j]

    return Feature(f"{a.name}-{b.name}", words, unit, (a.name, b.name), less)


def _per(
    a: Signal, b: Signal, place: dict[str, int], least: float, times: float, unit: str
) -> Feature:
    i, j = place[a.name], place[b.name]

    def ratio(seen: Seen) -> F64:
        above, below = seen.minutes.mean[:, i], np.abs(seen.minutes.mean[:, j])
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(below > least, above * times / below, np.nan)

    words = f"{a.label()} at its {b.label()}"
    return Feature(f"{a.name}/{b.name}", words, unit, (a.name, b.name), ratio)


class Frames:
    """Minutes to frames; carries the minute before, and the heat of the speeds so far."""

    def __init__(self, machine: Machine) -> None:
        self.features = features(machine)
        speed = machine.by_role("spindle_speed")
        self._speed = machine.signals.index(speed[0]) if speed else -1
        self._last: F64 = np.full(len(machine.signals), np.nan)
        self._minute, self._duty = -1, -1
        self._heat, self._known_min = 0.0, 0

    def push(self, minutes: Minutely) -> F64:
        """One row a minute, (m, p); NaN where unknown."""
        m = len(minutes.minute)
        if not m or not self.features:
            return np.empty((m, len(self.features)))
        before = np.concatenate([self._last[None, :], minutes.last[:-1]])
        next_one = np.diff(minutes.minute, prepend=self._minute) == 1
        same = np.diff(minutes.duty, prepend=self._duty) == 0  # a change of duty is no step
        step = np.where((next_one & same)[:, None], minutes.last - before, np.nan)
        seen = Seen(minutes, step, self._warmth(minutes, next_one))
        self._last = minutes.last[-1].copy()
        self._minute, self._duty = int(minutes.minute[-1]), int(minutes.duty[-1])
        return np.stack([feature.of(seen) for feature in self.features], axis=1)

    def _warmth(self, minutes: Minutely, next_one: Flags) -> F64:
        """First-order answer to the speeds, one minute after the other."""
        out = np.full(len(minutes.minute), np.nan)
        if self._speed < 0:
            return out
        share = -np.expm1(-1.0 / HEAT_TAU_MIN)
        heat = (np.abs(minutes.mean[:, self._speed]) / 1000.0) ** HEAT_EXPONENT
        for i, now in enumerate(heat.tolist()):
            if not next_one[i] or now != now:
                self._known_min = 0
            if now == now:
                self._heat += float(share) * (now - self._heat)
                self._known_min += 1
            if self._known_min >= HEAT_KNOWN_MIN:
                out[i] = self._heat
        return out

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return [self._last, self._minute, self._duty, self._heat, self._known_min]

    def load(self, state: Sequence[Any]) -> None:
        """Take up a saved state."""
        self._last, self._minute, self._duty, self._heat, self._known_min = state
