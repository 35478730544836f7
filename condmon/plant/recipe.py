"""Recipes of the simulated shop: which faults are on, from when to when, how large.

A recipe is a TOML file; replay/README.md explains its keys. Times in it count from its start.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from condmon.engine.records import F64, I64, SECOND_US
from condmon.engine.words import nearest, parse_duration
from condmon.errors import UsageError
from condmon.plant.signals import MILLS, sensors

FAULTS = {
    "air-valve-stuck-open": "the spindle air valve stays open; size = share of the usual flow",
    "oil-pulses-stop": "no oil reaches the spindle bearings",
    "bearing-friction": "the bearings make more heat; size 0.5 = half as much again",
    "bearing-cooling-lost": "coolant takes less heat off the spindle; size 1 = none at all",
    "chiller-weak": "the chiller's compressor takes less heat away; size 0.5 = half",
    "coolant-leak": "coolant runs away; size = percent of the tank an hour",
    "latch-second-push": "the door needs a second push; size = how often, 0 to 1",
    "latch-slow": "the door takes longer to latch; size 1 = twice as long",
    "sensor-silent": "a sensor stops sending; `signal` names it",
    "sensor-sentinel": "a sensor sends its code for broken; `signal` names it, size = the code",
    "cycle-stops": "the running program stops and the machine stands",
    "link-lost": "nothing of this machine reaches the broker",
    "chiller-hunts": "the chiller switches within a smaller swing; size 0.8 = a fifth of it",
    "hydraulic-leak": "hydraulic pressure falls faster; size 1 = twice as fast",
    "air-leak": "air leaks all the time; size = L/min",
    "net-leak": "the air net leaks; size = share of the time that the compressor is loaded more",
    "air-main-down": "the air net has no pressure",
    "spindle-air-off": "no air reaches the spindle, the net is sound",
    "axis-drag": "an axis carries more load; `signal` names it, size 0.5 = half as much again",
    "axis-dent": "load and lag of an axis rise in one zone; `signal` names the load",
    "axis-stroke": "the trace of an axis stroke rises at one place; `signal` names it",
    "vibration": "the spindle vibrates more; size 1 = twice as much",
    "coolant-used": "running takes coolant along; size = percent of the tank an hour",
    "way-oil-lost": "way oil is used up faster while running; size 1 = twice as fast",
    "way-oil-stuck": "no way oil is used",
    "hard-stop": "a load peak, and the spindle stands at once",
    "probe-shift": "the probe's offset moves; size = micrometres",
    "sensor-stuck": "a sensor repeats its last value; `signal` names it",
    "sensor-noise": "a sensor scatters; `signal` names it, size = standard deviation",
    "sensor-spikes": "a sensor sends wild values; `signal` names it, size = how many an hour",
    "sensor-offset": "a sensor reads too much; `signal` names it, size = how much",
    "control-fault": "the control reports a fault",
    "bearings-swapped": "the two bearing sensors have changed places",
}

KEYS = {"title", "start", "for", "seed", "thin", "learn", "fault", "must", "may"}
FOREVER_US = 2**62
SENSORS = {mill.id: frozenset(sensor.name for sensor in sensors(mill)) for mill in MILLS}


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault on one machine from `onset_us` up to `until_us`, growing over `ramp_us`."""

    fault: str
    machine: str
    onset_us: int
    until_us: int = FOREVER_US
    size: float = 1.0
    ramp_us: int = 0
    signal: str = ""


@dataclass(frozen=True, slots=True)
class Must:
    """An alert that the recipe has to raise between two instants, at most `most` times in all."""

    machine: str
    check: str
    after_us: int
    before_us: int
    most: int = 1


@dataclass(frozen=True, slots=True)
class May:
    """An alert that may follow from the faults and need not; all others must stay silent."""

    machine: str
    check: str


@dataclass(frozen=True, slots=True)
class Recipe:
    """What happens in the simulated shop, and what condmon must make of it."""

    title: str = "a healthy shop"
    start_us: int = 0
    length_us: int = 0
    seed: int = 1
    thin: float = 1.0  # periods of all measures are this much longer
    learn_us: int = 0  # models are learned from so much of its beginning
    faults: tuple[Fault, ...] = ()
    must: tuple[Must, ...] = ()
    may: tuple[May, ...] = ()

    def size(self, fault: str, machine: str, at_us: I64, signal: str = "") -> F64:
        """Size of a fault at each instant, 0 where it is off; shape as `at_us`."""
        total = np.zeros(len(at_us))
        for one in self.named(fault, machine):
            if one.signal != signal:
                continue
            on = (at_us >= one.onset_us) & (at_us < one.until_us)
            grown = np.clip((at_us - one.onset_us) / one.ramp_us, 0, 1) if one.ramp_us else 1.0
            total += on * one.size * grown
        return total

    def named(self, fault: str, machine: str) -> tuple[Fault, ...]:
        """Find the faults of one name on one machine."""
        return tuple(f for f in self.faults if f.fault == fault and f.machine == machine)


def load_recipe(path: Path) -> Recipe:
    """Read a recipe; UsageError in words for anything that is not one."""
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
        return _recipe(table)
    except OSError as error:
        raise UsageError(f"{path}: cannot be read ({error.strerror}); check the name") from error
    except (ValueError, TypeError, KeyError) as error:
        text = f"a key is missing: {error}" if isinstance(error, KeyError) else str(error)
        raise UsageError(f"{path}: not a recipe: {text}; see replay/README.md") from error


def _recipe(table: Mapping[str, object]) -> Recipe:
    _known(table, KEYS, "the recipe")
    start = table["start"]
    if not isinstance(start, datetime) or start.tzinfo is None:
        raise ValueError("start must be a date and time with a zone, as 2026-11-25T06:00:00Z")
    start_us = round(start.timestamp()) * SECOND_US
    return Recipe(
        title=str(table["title"]),
        start_us=start_us,
        length_us=_us(table["for"]),
        seed=int(str(table.get("seed", 1))),
        thin=float(str(table.get("thin", 1))),
        learn_us=_us(table.get("learn", "0 s")),
        faults=tuple(_fault(row, start_us) for row in _rows(table, "fault")),
        must=tuple(_must(row, start_us) for row in _rows(table, "must")),
        may=tuple(_may(row) for row in _rows(table, "may")),
    )


def _fault(row: Mapping[str, object], start_us: int) -> Fault:
    _known(row, {"fault", "machine", "onset", "until", "size", "ramp", "signal"}, "[[fault]]")
    name = str(row["fault"])
    if name not in FAULTS:
        raise ValueError(f'no fault is called "{name}"{nearest(name, FAULTS)}')
    return Fault(
        name,
        _machine(row),
        start_us + _us(row["onset"]),
        start_us + _us(row["until"]) if "until" in row else FOREVER_US,
        float(str(row.get("size", 1))),
        _us(row.get("ramp", "0 s")),
        _signal(row),
    )


def _must(row: Mapping[str, object], start_us: int) -> Must:
    _known(row, {"machine", "check", "after", "before", "most"}, "[[must]]")
    return Must(
        _machine(row),
        str(row["check"]),
        start_us + _us(row["after"]),
        start_us + _us(row["before"]),
        int(str(row.get("most", 1))),
    )


def _may(row: Mapping[str, object]) -> May:
    _known(row, {"machine", "check"}, "[[may]]")
    return May(_machine(row), str(row["check"]))


def _machine(row: Mapping[str, object]) -> str:
    name = str(row["machine"])
    if name not in SENSORS:
        raise ValueError(f'the shop has no machine "{name}"{nearest(name, SENSORS)}')
    return name


def _signal(row: Mapping[str, object]) -> str:
    """Name of the sensor that a fault is about; only faults of sensors and axes have one."""
    if not str(row["fault"]).startswith(("sensor-", "axis-")):
        return ""
    name, known = str(row["signal"]), SENSORS[_machine(row)]
    if name not in known:
        raise ValueError(f'that machine has no sensor "{name}"{nearest(name, known)}')
    return name


def _rows(table: Mapping[str, object], key: str) -> list[Mapping[str, object]]:
    rows = table.get(key, [])
    if not isinstance(rows, list):
        raise TypeError(f"{key} is a list of tables: write [[{key}]]")
    return rows


def _known(table: Mapping[str, object], known: set[str], where: str) -> None:
    for key in table:
        if key not in known:
            raise ValueError(f'{where} has no key "{key}"{nearest(key, known)}')


def _us(text: object) -> int:
    seconds = parse_duration(text) if isinstance(text, str) else None
    if seconds is None:
        raise ValueError(f'{text!r} is not a duration such as "90 min"')
    return round(seconds * SECOND_US)
