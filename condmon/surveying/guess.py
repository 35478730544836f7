"""Guesses: role, kind and unit of a source, each with how sure it is and why. Pure."""

import math
from dataclasses import dataclass, field

from condmon.engine.roles import ROLES
from condmon.engine.settings import Kind
from condmon.engine.units import UNITS, convert
from condmon.surveying import words as lexicon
from condmon.surveying.heard import Source
from condmon.surveying.places import Place
from condmon.surveying.rolewords import CHECK, LIKELY, SAYINGS, STATE_WORDS, SURE, Phrase
from condmon.surveying.track import Track

LEVELS = {SURE: "sure", LIKELY: "likely", CHECK: "please check"}
_QUANTITIES = {"temperature": "Cel", "pressure": "bar", "rpm": "/min", "flow": "L/min",
               "level": "%", "humidity": "%", "load": "%"}  # fmt: skip
_OTHER_UNITS = {
    "temperature": ("[degF]", "K"), "pressure": ("[psi]", "kPa", "MPa", "mbar"),
    "flow": ("m3/h", "L/s", "[cft_i]/min"), "length": ("mm", "um", "[in_i]"), "time": ("ms",),
    "speed": ("[in_i]/s",), "frequency": ("Hz",),
}  # fmt: skip
INSIDE = 0.9
"""This share of the values must be plausible; some sensors send a code when they have failed."""


@dataclass(slots=True)
class Guess:
    """What is proposed for one source."""

    source: Source
    track: Track
    machine: str
    words: tuple[str, ...]
    kind: Kind = "measure"
    role: str | None = None
    level: int = 0  # of the role
    score: float = 0.0
    reasons: list[str] = field(default_factory=list)
    unit: str | None = None  # as it is sent; None: not told, the role's is taken
    unit_why: str = ""
    unit_told: bool = False  # the payload says it itself
    axis: str | None = None
    place: str | None = None
    fed_by: str | None = None
    inverted: bool = False
    name: str = ""
    notes: list[str] = field(default_factory=list)

    @property
    def sure(self) -> str:
        """How sure the role is, in words."""
        return LEVELS.get(self.level, "")

    @property
    def spot(self) -> Place:
        """Where the value stands, with its time and step where most messages have them."""
        if not self.track.beside:
            return self.source.place
        (time, dt), _ = self.track.beside.most_common(1)[0]
        return self.source.place._replace(time=time, dt=dt)


def guess(source: Source, track: Track, machine: str, parts: tuple[str, ...]) -> Guess:
    """Propose role, kind and unit of one source from its words and values."""
    named = lexicon.name(parts)
    made = Guess(source, track, machine, named.words)
    made.unit, made.unit_why, made.unit_told = _unit(track, named.unit)
    made.axis = lexicon.axis_of(named.words)
    made.kind = _kind(source, track, named.words)
    if source.form != "condition":
        best = max(_candidates(made), key=lambda found: found.rank, default=None)
        if best is not None:
            _take(made, best)
    _unit_of_no_role(made)
    return made


@dataclass(slots=True)
class _Candidate:
    role: str
    phrase: Phrase
    level: int
    reasons: list[str]
    rank: tuple[float, ...]


def _candidates(made: Guess) -> list[_Candidate]:
    """Give every role whose words are there and whose kind of value fits."""
    have = {lexicon.canonical(word) for word in made.words}
    if made.axis:
        have.add("axis")
    found = []
    for role, saying in SAYINGS.items():
        if have & saying.never or not _kind_fits(role, made):
            continue
        met = [phrase for phrase in saying.phrases if phrase.words <= have]
        if not met:
            continue
        phrase = max(met, key=lambda one: (one.level, len(one.words)))
        extra = {word for word in have - phrase.words - saying.beside - lexicon.NEUTRAL
                 if len(word) > 1 and word not in lexicon.PLACES
                 and not word.isdecimal()} - {"axis"}  # fmt: skip
        level = phrase.level - bool(extra)
        told = [word for word in made.words if lexicon.canonical(word) in phrase.words]
        if made.axis and "axis" in phrase.words:
            told = [
                "axis",
                made.axis,
                *(word for word in told if lexicon.canonical(word) != "axis"),
            ]
        reasons = [f'the word{"s" * (len(told) > 1)} "{" ".join(told)}"']
        if extra:
            reasons.append(f'though "{" ".join(sorted(extra))}" is there, too')
        if level >= CHECK:
            rank = (level, len(phrase.words), -len(extra))
            found.append(_Candidate(role, phrase, level, reasons, rank))
    return found


def _kind_fits(role: str, made: Guess) -> bool:
    track, kind = made.track, ROLES[role].kind
    if kind == "state":
        return track.is_two_valued and not track.arrays
    if kind == "trace":
        return track.arrays > 0 and made.spot.dt is not None
    if track.arrays or not track.is_numeric:
        return False
    if kind == "counter":
        return track.low >= 0 and (track.whole or role == "energy") and not _falls_often(track)
    quantity = UNITS[made.unit].quantity if made.unit in UNITS else None
    if quantity and role not in {"spindle_load", "axis_load", "coolant_level", "way_oil_level",
                                 "axis_position"}:  # fmt: skip
        return quantity == UNITS[ROLES[role].unit].quantity
    if quantity and role == "axis_position":
        return quantity in {"length", "angle"}
    return quantity in {None, "number", "current", "torque", "power", "volume", "length"}


def _falls_often(track: Track) -> bool:
    return track.falls * 10 > track.rises + 10


def _take(made: Guess, best: _Candidate) -> None:
    """Hold the best role against the values."""
    made.role, made.level = best.role, best.level
    made.kind, made.reasons = ROLES[best.role].kind, best.reasons
    made.score = best.rank[1] + best.rank[2] / 10
    if made.kind == "state":
        _hold_against_words(made)
    elif made.kind in {"measure", "calibration"}:
        _hold_against_range(made)
    elif made.kind == "counter":
        _hold_against_counting(made)
    if made.role == "vibration_velocity" and made.unit and made.level == LIKELY:
        made.level = SURE  # only its unit was open


def _hold_against_words(made: Guess) -> None:
    assert made.role is not None
    role = ROLES[made.role]
    seen = {word.casefold() for word in made.track.words}
    known = {*role.words_on, *role.words_off}
    made.inverted = _is_contrary(made)
    if seen and seen <= known and not made.inverted:
        shown = ", ".join(sorted(seen))
        made.reasons.append(f"its words ({shown}) are those of this role")
        told = made.role not in {"power", "air_valve", "pump_running"}
        told = told and (made.role != "tool_clamped" or "spindle" in made.words)
        if made.level == LIKELY and told and seen - {"on", "off", "true", "false", "1", "0"}:
            made.level = SURE
    elif not seen:
        made.reasons.append("its values are 0 and 1" if made.track.high > made.track.low
                            else f"its only value so far is {made.track.high:g}")  # fmt: skip
    elif not seen <= known | STATE_WORDS["on"] | STATE_WORDS["off"]:
        made.level = min(made.level, CHECK if len(seen - known) > 1 else LIKELY)
        made.reasons.append(f"but its words are not all known: {', '.join(sorted(seen - known))}")
    else:
        made.reasons.append(f"its words: {', '.join(sorted(seen))}")
    if made.inverted:
        made.level = min(made.level, LIKELY)
        made.reasons.append("true seems to mean the contrary of this role")


def _is_contrary(made: Guess) -> bool:
    """Whether true means the contrary: "door/open" of the role door_closed."""
    plain = all(word.casefold() in {"true", "false", "0", "1"} for word in made.track.words)
    if not plain:
        return False
    have = {lexicon.canonical(word) for word in made.words}
    if made.role == "door_closed":
        return "open" in have and "closed" not in have
    if made.role in {"tool_clamped", "door_latched"}:
        return bool(lexicon.OPPOSITE & set(made.words))
    return made.role == "air_valve" and "closed" in have


def _hold_against_range(made: Guess) -> None:
    assert made.role is not None
    role, track = ROLES[made.role], made.track
    if role.range is None:
        return
    span = f"{track.low:g} to {track.high:g}" if track.high > track.low else f"{track.low:g}"
    low, high = role.range
    inside = [_bound(value, role.unit, made.unit) for value in (low, high)]
    if None in inside:
        made.reasons.append(f"values {span}")
        made.level = min(made.level, LIKELY)
        return
    low, high = (value for value in inside if value is not None)
    if track.share_inside(low, high) >= INSIDE:
        made.reasons.append(f"values {span}" + (f" {made.unit}" if made.unit else ""))
        _only_zeros(made)
        return
    other = None if made.unit else _other_unit(made)
    if other:
        made.unit, made.unit_why = other, f"the values {span} fit it and not {role.unit}"
        made.level = min(made.level, LIKELY)
        made.reasons.append(f"values {span} are plausible in {other}")
        return
    made.level = min(made.level, CHECK)
    made.reasons.append(f"but its values {span} are outside what is plausible ({low:g} to {high:g} "
                        f"{made.unit or role.unit})")  # fmt: skip


def _only_zeros(made: Guess) -> None:
    """Nothing but 0 and 1 may be a switch that is called like a measure."""
    track = made.track
    if track.is_two_valued and track.high > track.low and made.level == SURE:
        made.level = LIKELY
        made.reasons.append("but only 0 and 1 came: it may be a state")


def _bound(value: float, from_unit: str, sent: str | None) -> float | None:
    return value if sent is None else convert(value, from_unit, sent)


def _other_unit(made: Guess) -> str | None:
    """Find another usual unit of the role's quantity in which all values are plausible."""
    assert made.role is not None
    role = ROLES[made.role]
    assert role.range is not None
    for code in _OTHER_UNITS.get(UNITS[role.unit].quantity, ()):
        if code == role.unit or code not in UNITS:
            continue
        low, high = (convert(value, role.unit, code) for value in role.range)
        if low is not None and high is not None and made.track.share_inside(low, high) >= INSIDE:
            return code
    return None


def _hold_against_counting(made: Guess) -> None:
    track = made.track
    if track.only_rises:
        made.reasons.append(f"it only counts up ({track.low:g} to {track.high:g})")
    elif track.rises == track.falls == 0:
        made.reasons.append(f"it stood at {track.high:g} all the time")
        made.level = min(made.level, CHECK if made.role == "energy" else made.level)
    elif track.falls:
        made.level = min(made.level, CHECK)
        made.reasons.append("but it goes down, too")
    else:
        made.reasons.append("it went up once")


def _kind(source: Source, track: Track, parts: tuple[str, ...]) -> Kind:
    """Give the kind of a source without a role."""
    have = {lexicon.canonical(word) for word in parts}
    if source.form == "condition" or (not track.numbers and track.words):
        return "state"
    if track.arrays:
        return "trace"
    counted = have & {"count", "uptime", "energy", "volume", "pulse"}
    if track.is_numeric and track.low >= 0 and not _falls_often(track) and counted:
        return "counter"
    if track.is_two_valued and track.high > track.low:
        return "state"
    return "measure"


def _unit(track: Track, named: str | None) -> tuple[str | None, str, bool]:
    """Give the unit that is sent, where it is told, why, and whether the payload tells it."""
    if track.units:
        word, _ = track.units.most_common(1)[0]
        if word in UNITS:
            return word, "the payload says so", True
    if named:
        return named, "the name says so", False
    return None, "", False


def _unit_of_no_role(made: Guess) -> None:
    """Give a signal without a role a unit, for it needs one."""
    if made.unit or made.role or made.kind not in {"measure", "calibration", "trace"}:
        return
    told = [word for word in map(lexicon.canonical, made.words)
            if len(word) > 1 and word not in lexicon.NEUTRAL | lexicon.PLACES]  # fmt: skip
    unit = _QUANTITIES.get(told[-1]) if told else None
    if unit is not None:
        made.unit, made.unit_why = unit, "not told; usual of such a thing, please check"
        return
    made.unit_why = "not told, please fill in"
    if math.isfinite(made.track.high):
        made.unit_why += f" (values {made.track.low:g} to {made.track.high:g})"
