"""What a return-to-service run compares: points, each taken from minutes in a step. Pure.

Tolerances are common practice, no source. They are those of the checks that watch the same thing,
so that a machine which passes raises no alert the day after.
"""

from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np

from condmon.engine.minutely import Minutely
from condmon.engine.records import F64, I64, Flags
from condmon.engine.settings import Machine, Signal
from condmon.engine.units import UNITS

Worse = Literal["higher", "lower", "either"]


class Step(NamedTuple):
    """One part of the run: what to do, and what to look out for while hands are near."""

    title: str
    what_to_do: str
    caution: str


STEPS: dict[str, Step] = {
    "cold": Step(
        "cold start",
        "Leave the machine off for at least four hours, then switch it on.",
        "Nobody inside, guards shut, before power comes back.",
    ),
    "air": Step(
        "air and oil",
        "Let the spindle turn for half an hour: air, pressure and oil pulses are counted.",
        "Stored air pressure: vent it before a fitting is opened.",
    ),
    "leaks": Step(
        "leaks with the pumps on",
        "Power and pumps on, nothing moving, door shut, for half an hour.",
        "Stored hydraulic pressure: nobody feels for a leak by hand; an accumulator is opened by "
        "licensed persons.",
    ),
    "coolant": Step(
        "coolant",
        "Leave power on for an hour; the supply has to come to its set point and stay there.",
        "",
    ),
    "speed": Step(
        "speed steps",
        "Run the usual speeds from slow to fast, without cutting, each until the bearing settles.",
        "Door shut. The spindle is hot afterwards and coasts.",
    ),
    "axes": Step(
        "axis strokes",
        "Move each axis over its whole way with the usual program, table empty.",
        "A vertical axis can fall when its brake or belt was loosened.",
    ),
    "door": Step(
        "door",
        "Open and shut the door five times.",
        "Never bypass a door switch or latch.",
    ),
    "probe": Step(
        "probe and tool setter",
        "Calibrate the probe and the tool setter once, with a clean stylus.",
        "",
    ),
}


@dataclass(frozen=True, slots=True)
class Point:
    """One thing that is compared.

    Attributes
    ----------
    share : float
        Which of the sorted minute values stands for the run, and for a day of the baseline.
    least, day_least : int
        Minute values that a run, and a day of the baseline, must have to say anything.
    times, off : float
        It differs when it is further from the baseline than this share of it and than this much.
    low, high : float | None
        Limits, whatever the baseline was.
    """

    key: str
    step: str
    signal: str
    words: str
    unit: str
    worse: Worse
    times: float
    off: float
    share: float = 0.5
    least: int = 5
    day_least: int = 20
    low: float | None = None
    high: float | None = None

    def plain(self) -> list[Any]:
        """Its fields in their order, for a snapshot: `Point(*fields)` is the same again."""
        return [getattr(self, name) for name in self.__slots__]


Taken = tuple[Point, I64, F64]
"""A point with minutes and their values, both (m,); NaN where a minute says nothing."""


class Look:
    """Minutes of one machine, asked by signal and role."""

    def __init__(self, machine: Machine, part: Minutely) -> None:
        self.machine, self.part = machine, part
        self._place = {s.name: i for i, s in enumerate(machine.signals)}

    def mean(self, signal: Signal) -> F64:
        """Minute means, (m,)."""
        return self.part.mean[:, self._place[signal.name]]

    def low(self, signal: Signal) -> F64:
        """Lowest of each minute, (m,)."""
        return self.part.low[:, self._place[signal.name]]

    def high(self, signal: Signal) -> F64:
        """Highest of each minute, (m,)."""
        return self.part.high[:, self._place[signal.name]]

    def moved(self, signal: Signal) -> I64:
        """Ticks at which it changed, (m,)."""
        return self.part.moved[:, self._place[signal.name]]

    def all_of(self, role: str, state: float) -> Flags:
        """Minutes in which the first state of a role was so throughout; all, if there is none."""
        found = first(self.machine, role)
        if found is None:
            return np.ones(len(self.part.minute), bool)
        return np.asarray(self.mean(found) == state)

    def turning(self) -> Flags:
        """Minutes in which the spindle turned throughout, at one speed."""
        speed = first(self.machine, "spindle_speed")
        if speed is None:
            return np.zeros(len(self.part.minute), bool)
        low, high = self.low(speed), self.high(speed)
        with np.errstate(invalid="ignore"):
            return np.asarray((low > SPEED_MIN) & (high - low <= STEADY * high))


SPEED_MIN = 50.0
STEADY = 0.03


def stretch(minute: I64, flag: Flags, carried: list[int]) -> I64:
    """For how many minutes in a row, each included, a flag has been true; (m,).

    `carried` is [last minute, count] and is brought up to date; a hole begins anew.
    """
    out = np.zeros(len(minute), np.int64)
    last, count = carried
    for i, (now, on) in enumerate(zip(minute.tolist(), flag.tolist(), strict=True)):
        count = (count + 1 if now == last + 1 else 1) if on else 0
        last, out[i] = now, count
    carried[:] = [last, count]
    return out


def apart(amount: float, code: str, signal: Signal) -> float:
    """A difference given in one unit, in the unit of a signal; as it is where they do not match."""
    given, wanted = UNITS.get(code), UNITS.get(signal.unit)
    if given is None or wanted is None or given.quantity != wanted.quantity:
        return amount
    return amount * given.factor / wanted.factor


def kelvin(signal: Signal) -> str:
    """The unit of a difference of temperatures."""
    return "K" if signal.unit == "Cel" else signal.unit


def first(machine: Machine, role: str) -> Signal | None:
    """The first signal that plays a role."""
    found = machine.by_role(role)
    return found[0] if found else None
