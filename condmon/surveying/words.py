"""Words in topics: taking names apart, and the trade's words for things and quantities. Pure.

The lists are common practice of English-speaking shops, no source; a word that is in none of them
is kept as it is and makes a guess less sure.
"""

import re
from functools import cache
from typing import NamedTuple


def word_set(text: str) -> frozenset[str]:
    """Give the words of a text."""
    return frozenset(text.split())


_WORDS: dict[str, str] = {
    # things
    "spindle": "spindles spdl spndl spn",
    "bearing": "bearings brg brgs",
    "coolant": "coolants clnt cooling",
    "chiller": "chillers chlr recooler",
    "compressor": "compressors",
    "hydraulic": "hydraulics hyd hydr",
    "lube": "lubrication lubricant lub",
    "way": "ways slideway slideways guideway guideways",
    "pump": "pumps",
    "tank": "tanks sump reservoir",
    "valve": "valves solenoid",
    "door": "doors",
    "guard": "guards",
    "latch": "latched latching unlatched",
    "lock": "locked locking interlock unlocked unlock",
    "clamp": "clamped clamping unclamp unclamped",
    "axis": "axes servo",
    "probe": "probes toolprobe",
    "setter": "toolsetter",
    "program": "programme prog",
    "cycle": "cycles",
    "power": "pwr",
    "energy": "",
    "machine": "machines",
    "room": "",
    "ambient": "amb",
    "hall": "workshop",
    "air": "pneumatic pneumatics",
    "oil": "oils",
    "motor": "motors",
    "cabinet": "",
    "tool": "tools",
    "drawbar": "",
    "filter": "filters",
    # quantities and what is told of them
    "temperature": "temp temps tmp temperatures thermo",
    "speed": "spd",
    "rpm": "revolutions revs",
    "load": "loads utilization utilisation",
    "torque": "",
    "current": "amps amperage",
    "pressure": "press prs",
    "flow": "flowrate",
    "level": "lvl fill filling",
    "position": "pos positions",
    "vibration": "vib vibrations vibro",
    "velocity": "vel",
    "acceleration": "accel acc",
    "pulse": "pulses",
    "count": "counter counts cnt total",
    "error": "err errors",
    "following": "follow lag",
    "offset": "offsets deviation dev",
    "trace": "stroke strokes sweep profile",
    "time": "duration",
    "setpoint": "target setvalue setpt",
    "set": "",
    "command": "commanded cmd demand demanded",
    "actual": "act measured meas reading present",
    "state": "status stat mode",
    "running": "run runs execution exec",
    "active": "",
    "on": "enabled",
    "closed": "close clsd shut",
    "open": "opened",
    "supply": "sup feedline",
    "outlet": "out",
    "return": "inlet",
    "front": "frnt",
    "upper": "top",
    "lower": "bottom",
    "consumption": "used usage",
    "volume": "litres liters",
    "condition": "conditions",
    "alarm": "alarms fault faults",
    "humidity": "rh",
    "override": "ovr",
    "part": "parts workpiece",
    "uptime": "",
    "purge": "sealing seal",
}
CANONICAL = {word: word for word in _WORDS} | {
    other: word for word, others in _WORDS.items() for other in others.split()
}
OPPOSITE = frozenset({"unlatched", "unlocked", "unlock", "unclamp", "unclamped", "released"})
"""Words of a state that say the contrary of the role's."""

NEUTRAL = word_set(
    "actual state value val v data sensor signal main machine system m in is the of a and to "
    "raw live meter gauge monitor analog digital line unit net telemetry tele values sensors "
    "signals stream"
)
"""Words that say nothing about what a thing is."""

PLACES = word_set(
    "upper lower front rear left right inner outer middle nose tail drive first second"
)
"""Words that tell siblings apart."""

UNIT_WORDS = {
    "degc": "Cel", "celsius": "Cel", "c": "Cel", "degf": "[degF]", "f": "[degF]",
    "fahrenheit": "[degF]", "rpm": "/min", "bar": "bar", "mbar": "mbar", "psi": "[psi]",
    "kpa": "kPa", "mpa": "MPa", "pct": "%", "percent": "%", "mm": "mm", "um": "um",
    "micron": "um", "microns": "um", "inch": "[in_i]", "ms": "ms", "s": "s", "sec": "s",
    "seconds": "s", "kw": "kW", "kwh": "kW.h", "wh": "W.h", "ma": "mA", "amp": "A", "amps": "A",
    "lpm": "L/min", "mms": "mm/s", "hz": "Hz", "litres": "L", "liters": "L", "hours": "h",
    "minutes": "min", "volts": "V", "mv": "mV", "deg": "deg", "ips": "[in_i]/s", "cfm":
    "[cft_i]/min",
}  # fmt: skip
"""Words at the end of a name that are a unit."""

_PAIRS = {("l", "min"): "L/min", ("mm", "s"): "mm/s", ("m3", "h"): "m3/h", ("1", "min"): "/min"}
_CAMEL = re.compile(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_FIGURES = re.compile(r"(?<=[A-Za-z])(?=[0-9])|(?<=[0-9])(?=[A-Za-z])")
_NOT_WORDS = re.compile(r"[^A-Za-z0-9%]+")
_GLUED_LETTERS = 5
_SHORT = {"x": "x", "y": "y", "z": "z", "s": "spindle"}
"""Letters that controls put before what an axis or the spindle has: "xload", "srpm"."""
_OF_AXES = word_set("load pos position rpm speed torque current lag error")
LETTERS_MAX = 60


class Name(NamedTuple):
    """A name taken apart: its words as written (lower case), and the unit at its end."""

    words: tuple[str, ...]
    unit: str | None


@cache
def split(text: str) -> tuple[str, ...]:
    """Give the words of a name in lower case: "mill-1", "SpindleSpeed" and "wayoil" are two."""
    found: list[str] = []
    for part in _NOT_WORDS.split(text[:400]):
        if part.lower() in UNIT_WORDS:  # "MPa" is one word
            found.append(part.lower())
            continue
        for piece in _CAMEL.sub(" ", part).split():
            for word in _FIGURES.sub(" ", piece).split():
                found += _unglued(word.lower())
    return tuple(found)


def _unglued(word: str) -> list[str]:
    """Take apart words written as one, where all of it is words we know."""
    if word[:1] in _SHORT and word not in CANONICAL and word[1:] in _OF_AXES:
        return [_SHORT[word[0]], word[1:]]
    if word in CANONICAL or word in UNIT_WORDS or not _GLUED_LETTERS < len(word) <= LETTERS_MAX:
        return [word]
    for at in range(len(word) - 3, 2, -1):
        head, tail = word[:at], word[at:]
        if _known(head) and (_known(tail) or _is_glued(tail)):
            return [head, *_unglued(tail)]
    return [word]


def _known(word: str) -> bool:
    return word in CANONICAL or word in PLACES or word in {"mill", "lathe", "shop"}


def _is_glued(word: str) -> bool:
    return len(_unglued(word)) > 1


def name(words: tuple[str, ...]) -> Name:
    """Part the unit at the end of a name from it; "c" is one only behind another word."""
    if len(words) > 2 and words[-2:] in _PAIRS:
        return Name(words[:-2], _PAIRS[words[-2], words[-1]])
    if len(words) > 1 and words[-1] in UNIT_WORDS and _is_unit(words):
        keep = words if words[-1] in CANONICAL else words[:-1]  # "rpm" tells what it is, too
        return Name(keep, UNIT_WORDS[words[-1]])
    if words and words[-1] == "g" and {"vibration", "acceleration"} & set(map(canonical, words)):
        return Name(words[:-1], "[g]")
    return Name(words, UNIT_WORDS.get(words[-1]) if words and words[-1] in CANONICAL else None)


def _is_unit(words: tuple[str, ...]) -> bool:
    """Whether the last word is a unit: a single letter only beside what is measured in it."""
    last, have = words[-1], set(map(canonical, words))
    return (
        len(last) > 1
        or (last in {"c", "f"} and "temperature" in have)
        or (last == "s" and "time" in have)
    )


def canonical(word: str) -> str:
    """Give the trade's word for one that means the same."""
    return CANONICAL.get(word, word)


def axis_of(words: tuple[str, ...]) -> str | None:
    """Find the letter of an axis: x, y, z anywhere; others only beside what an axis has."""
    for at, word in enumerate(words):
        if word in {"x", "y", "z"}:
            return word
        near = {canonical(other) for other in words[max(0, at - 1) : at + 2] if other != word}
        if word in {"a", "b", "c", "u", "v", "w"} and near & {"axis", "servo"}:
            return word
    return None
