"""Life as counters: whole numbers by name, and the measures people speak of. Pure.

Counters only ever grow while a machine runs. The life of a component is the difference of its
machine's counters between installing and now, plus what it brought along; whole numbers make that
exact in any grouping.
"""

from collections.abc import Mapping
from typing import NamedTuple

from condmon.engine.words import number
from condmon.trade.bearings import Use, relative_use

Counts = dict[str, int]
"""Counters by flat name, such as `duty_s:turning`, `speed_s:4000`, `tool_changes`,
`travel_micro:x:100`; see `Usage.flat`."""

MICRO = 1_000_000
LOAD_BAND = 25
"""Width of a band of spindle load in per cent: turns under load wear more than idle ones."""
IDLE = ("off", "unknown")


class Measure(NamedTuple):
    """One thing a life can be measured by."""

    unit: str
    words: str
    per: float  # counter units in one unit of the measure


MEASURES: Mapping[str, Measure] = {
    "hours_on": Measure("h", "hours switched on", 3600.0),
    "hours_turning": Measure("h", "hours with the spindle turning", 3600.0),
    "million_turns": Measure("million", "million turns of the spindle", 1e6 * MICRO),
    "power_ons": Measure("times", "times switched on", 1.0),
    "program_runs": Measure("runs", "program runs", 1.0),
    "spindle_starts": Measure("starts", "spindle starts", 1.0),
    "tool_changes": Measure("changes", "tool changes (clamp cycles)", 1.0),
    "door_cycles": Measure("cycles", "door cycles", 1.0),
    "chiller_starts": Measure("starts", "chiller starts", 1.0),
    "hard_stops": Measure("stops", "hard stops", 1.0),
    "air_m3": Measure("m3", "cubic metres of air", 1000.0 * MICRO),
    "travel_x": Measure("m", "metres of travel of x", 1000.0 * MICRO),
    "travel_y": Measure("m", "metres of travel of y", 1000.0 * MICRO),
    "travel_z": Measure("m", "metres of travel of z", 1000.0 * MICRO),
    "days": Measure("d", "days", 86400.0 * MICRO),
}
"""`days` is the calendar; all others are counted while the machine is watched. Travel and air
assume positions in mm and flow in L/min, the units of their roles."""

COUNTED = tuple(name for name in MEASURES if name != "days")


def plus(one: Mapping[str, int], other: Mapping[str, int]) -> Counts:
    """Sum by name."""
    return {name: one.get(name, 0) + other.get(name, 0) for name in {**one, **other}}


def minus(one: Mapping[str, int], other: Mapping[str, int]) -> Counts:
    """Difference by name; what is nothing is left out."""
    found = {name: one.get(name, 0) - other.get(name, 0) for name in {**one, **other}}
    return {name: amount for name, amount in found.items() if amount}


def raw(counts: Mapping[str, int], measure: str) -> int:
    """A measure in whole units of its counters; 0 where nothing was counted."""
    if measure == "hours_on":
        return sum(
            amount
            for name, amount in counts.items()
            if name.startswith("duty_s:") and name.partition(":")[2] not in IDLE
        )
    if measure == "hours_turning":
        return _sum(counts, "speed_s:")
    if measure == "million_turns":
        return _sum(counts, "turns_micro:")
    if measure == "air_m3":
        return counts.get("air_micro", 0)
    if measure.startswith("travel_"):
        return _sum(counts, f"travel_micro:{measure.removeprefix('travel_')}:")
    return counts.get(measure, 0)


def amount(counts: Mapping[str, int], measure: str) -> float:
    """A measure in its own unit."""
    return raw(counts, measure) / MEASURES[measure].per


def minutes_above(counts: Mapping[str, int]) -> dict[str, dict[int, float]]:
    """Minutes at or above each temperature band, by bearing and lower end of the band."""
    seconds: dict[str, dict[int, int]] = {}
    for name, ticks in counts.items():
        if name.startswith("warm_s:"):
            bearing, _, band = name.removeprefix("warm_s:").rpartition(":")
            seconds.setdefault(bearing, {})[int(band)] = ticks
    return {
        bearing: {low: sum(n for at, n in bands.items() if at >= low) / 60 for low in sorted(bands)}
        for bearing, bands in seconds.items()
    }


def bearing_use(counts: Mapping[str, int]) -> float:
    """Million turns, each weighted by its load as ISO 281 does: by the cube, for ball bearings.

    A relative figure, to compare weeks and spindles of one sort; no remaining life. The load of an
    idle spindle counts as 1 and rated spindle load as 1 more (an assumption, no source: preload
    and cutting load of a spindle are known to its maker only). A band of load counts as its middle.
    """
    bands = {
        name.removeprefix("turns_micro:"): turns
        for name, turns in counts.items()
        if name.startswith("turns_micro:")
    }
    idle = Use(0.0, 1.0, 1.0)
    total = 0.0
    for band in sorted(bands):
        load = 1.0 + (int(band) + LOAD_BAND / 2) / 100 if band.isdigit() else 1.0
        [weight] = relative_use([Use(0.0, load, 1.0)], idle)
        total += bands[band] / (1e6 * MICRO) * weight
    return total


def said(counts: Mapping[str, int]) -> str:
    """What was counted, in a sentence."""
    found = {name: amount(counts, name) for name in COUNTED}
    parts = [f"{number(value)} {MEASURES[name].words}" for name, value in found.items() if value]
    return ", ".join(parts) or "nothing"


def from_amounts(amounts: Mapping[str, float]) -> Counts:
    """Counters that stand for what a person says was used before condmon watched."""
    names = {
        "hours_on": "duty_s:before", "hours_turning": "speed_s:before",
        "million_turns": "turns_micro:before", "air_m3": "air_micro",
        "travel_x": "travel_micro:x:before", "travel_y": "travel_micro:y:before",
        "travel_z": "travel_micro:z:before",
    }  # fmt: skip
    return {
        names.get(name, name): round(value * MEASURES[name].per)
        for name, value in amounts.items()
        if name in COUNTED
    }


def _sum(counts: Mapping[str, int], prefix: str) -> int:
    return sum(amount for name, amount in counts.items() if name.startswith(prefix))
