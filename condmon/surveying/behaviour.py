"""How sources behave together: what follows the spindle, what falls silent without power. Pure."""

from bisect import bisect_right
from collections.abc import Callable, Sequence
from typing import NamedTuple

from condmon.engine.records import SECOND_US
from condmon.engine.roles import ROLES
from condmon.surveying.guess import Guess
from condmon.surveying.rolewords import CHECK, LIKELY, STATE_WORDS, SURE
from condmon.surveying.track import Track

SLOTS_MIN = 12
"""Fewer slots on one of two sides prove nothing."""
HELD_US = 900 * SECOND_US
SETTLE_US = 60 * SECOND_US
OFF_MIN_S = 600.0
TURNING_MIN = 50.0
_WARMED = frozenset({"bearing_temperature"})
_FOLLOWING = frozenset({"spindle_load", "air_flow", "vibration_velocity", "axis_load"})


class Reference(NamedTuple):
    """A state over time, by which others are judged."""

    name: str
    at_us: list[int]
    on: list[bool]

    def at(self, instant_us: int) -> bool | None:
        """Whether it was on; None when nothing was heard for long."""
        place = bisect_right(self.at_us, instant_us) - 1
        if place < 0 or instant_us - self.at_us[place] > HELD_US:
            return None
        return self.on[place]


def look(guesses: Sequence[Guess]) -> None:
    """Add to the guesses of one machine what their values say together."""
    speed = _reference(guesses, "spindle_speed", lambda value: value > TURNING_MIN)
    power = _reference(guesses, "power", _is_on)
    for made in guesses:
        if made.track.is_numeric and made.role != "spindle_speed":
            if speed is not None:
                _with_spindle(made, speed)
            if power is not None:
                _without_power(made, power)


def stood(guesses: Sequence[Guess]) -> str:
    """Say that a machine did nothing all the time, or nothing."""
    for made in guesses:
        values = [value if isinstance(value, float) else _number(value)
                  for value in made.track.slots.values()]  # fmt: skip
        if made.level < LIKELY or not values:
            continue
        if made.role == "power" and all(value == 0 for value in values):
            return "it was off all the time"
        if made.role == "spindle_speed" and made.track.high <= TURNING_MIN:
            return "its spindle stood all the time"
    return ""


def _reference(
    guesses: Sequence[Guess], role: str, on: Callable[[float], bool]
) -> Reference | None:
    found = [made for made in guesses if made.role == role and made.level >= LIKELY]
    if not found:
        return None
    best = max(found, key=lambda made: made.level)
    slots = sorted(best.track.slots.items())
    rows = [(slot * best.track.slot_us, value if isinstance(value, float) else _number(value))
            for slot, value in slots]  # fmt: skip
    known = [(at_us, on(value)) for at_us, value in rows if value is not None]
    states = {state for _, state in known}
    if len(states) < 2:
        return None
    return Reference(best.name, [at for at, _ in known], [state for _, state in known])


def _number(word: str) -> float | None:
    folded = word.casefold()
    if folded in ROLES["power"].words_on or folded in STATE_WORDS["on"]:
        return 1.0
    return 0.0 if folded in STATE_WORDS["off"] else None


def _is_on(value: float) -> bool:
    return value > 0


def _with_spindle(made: Guess, speed: Reference) -> None:
    turning, still, rising, falling = _sides(made.track, speed)
    if min(len(turning), len(still)) < SLOTS_MIN:
        return
    mean_on, mean_off = sum(turning) / len(turning), sum(still) / len(still)
    spread = _scatter(turning) + _scatter(still) + 1e-9
    if min(len(rising), len(falling)) >= SLOTS_MIN:
        up, down = sum(rising) / len(rising), sum(falling) / len(falling)
        if up > 0 > down and made.role in _WARMED:
            made.reasons.append("it rises while the spindle turns and falls while it stands")
            made.level = SURE if made.level == LIKELY else made.level
            return
        if up > 0 > down and made.role is None and _may_be_warmed(made):
            made.role, made.level = "bearing_temperature", CHECK
            made.reasons = ["no word tells it, but it is warmed by the turning spindle"]
            return
    if abs(mean_on - mean_off) > spread and made.role in _FOLLOWING:
        made.reasons.append(f"it follows the spindle: {mean_on:.3g} while it turns, "
                            f"{mean_off:.3g} while it stands")  # fmt: skip


def _may_be_warmed(made: Guess) -> bool:
    track = made.track
    inside = track.low >= 5 and track.high <= 100 and track.high - track.low > 2
    return made.kind == "measure" and made.unit in {None, "Cel"} and inside and not track.whole


def _sides(
    track: Track, reference: Reference
) -> tuple[list[float], list[float], list[float], list[float]]:
    """Values while the reference was on and off, and the steps between neighbours, likewise."""
    values: tuple[list[float], list[float]] = ([], [])
    steps: tuple[list[float], list[float]] = ([], [])
    before: float | None = None
    for slot, value in sorted(track.slots.items()):
        on = reference.at(slot * track.slot_us)
        if isinstance(value, float) and on is not None:
            values[not on].append(value)
            if before is not None:
                steps[not on].append(value - before)
            before = value
    return *values, *steps


def _scatter(values: list[float]) -> float:
    mean = sum(values) / len(values)
    return float((sum((value - mean) ** 2 for value in values) / len(values)) ** 0.5)


def _without_power(made: Guess, power: Reference) -> None:
    """Note a sensor that sends nothing while the machine is off: silent on purpose."""
    track = made.track
    period_s = track.period_s()
    if made.kind != "measure" or period_s is None or period_s > 120 or len(track.slots) < SLOTS_MIN:
        return
    off_s, heard_off = 0.0, 0
    for at_us, on, next_us in zip(power.at_us, power.on, power.at_us[1:], strict=False):
        if on or next_us - at_us > HELD_US:
            continue
        off_s += (next_us - at_us) / SECOND_US
    for slot in track.slots:
        at_us = slot * track.slot_us
        if power.at(at_us) is False and power.at(at_us - SETTLE_US) is False:
            heard_off += 1
    if off_s > max(OFF_MIN_S, 20 * period_s) and heard_off <= 0.02 * off_s / period_s:
        made.fed_by = power.name
