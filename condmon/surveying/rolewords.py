"""Which words make which role: our own list, from the trade's plain English. Pure.

A phrase is met when all its words are there, in any order. `sure` phrases name the thing in full,
`likely` ones leave something open, `check` ones are only worth a question. A word of `never` rules
the role out, one of `beside` may stand there without making the guess less sure.
"""

from dataclasses import dataclass
from typing import NamedTuple

from condmon.surveying.words import word_set


class Phrase(NamedTuple):
    """Words that must all be there, and how much they say: 3 sure, 2 likely, 1 please check."""

    words: frozenset[str]
    level: int


@dataclass(frozen=True, slots=True)
class Saying:
    """How one role is spoken of."""

    phrases: tuple[Phrase, ...]
    never: frozenset[str]
    beside: frozenset[str]


SURE, LIKELY, CHECK = 3, 2, 1
_NUMBERS_ELSEWHERE = "override command setpoint target limit max min maximum minimum average alarm"


def _saying(
    sure: str = "", likely: str = "", check: str = "", never: str = "", beside: str = ""
) -> Saying:
    phrases = [
        Phrase(word_set(phrase), level)
        for level, text in ((SURE, sure), (LIKELY, likely), (CHECK, check))
        for phrase in text.split(",")
        if phrase.strip()
    ]
    return Saying(tuple(phrases), word_set(never), word_set(beside))


SAYINGS: dict[str, Saying] = {
    "power": _saying(
        "power, machine on, control on",
        "on",
        "",
        "energy kw watts w factor consumption spindle pump chiller compressor laser supply "
        "hydraulic "
        "save saving light coolant axis door voltage load count time ups battery",
        "on machine",
    ),
    "cycle_running": _saying(
        "cycle running, cycle state, cycle active, program running, program state, program active, "
        "running state, auto running",
        "running, cycle, program, auto active",
        "machine state",
        "count time name number part compressor pump spindle override coolant chiller door "
        "hydraulic "
        "lube fan conveyor axis id block line energy",
        "on auto machine",
    ),
    "spindle_speed": _saying(
        "spindle speed, spindle rpm",
        "rpm",
        "spindle velocity",
        f"{_NUMBERS_ELSEWHERE} load temperature vibration fan pump chiller turret feed axis pulse",
        "rpm speed velocity",
    ),
    "spindle_load": _saying(
        "spindle load",
        "spindle torque, spindle current",
        "spindle power",
        f"{_NUMBERS_ELSEWHERE} speed temperature axis running on",
        "motor drive torque current",
    ),
    "bearing_temperature": _saying(
        "bearing temperature",
        "bearing",
        "spindle temperature",
        "vibration coolant oil motor winding load speed pressure flow ambient preload pulse count "
        "level hours velocity acceleration lube chiller limit setpoint axis",
        "spindle nose",
    ),
    "coolant_supply_temperature": _saying(
        "coolant supply temperature, chiller supply temperature, chiller outlet temperature, "
        "coolant outlet temperature",
        "chiller supply, chiller outlet, coolant supply, chiller temperature",
        "coolant temperature",
        "setpoint set return ambient level pressure flow pump compressor room limit power voltage "
        "valve filter",
        "water spindle liquid chiller coolant",
    ),
    "coolant_setpoint": _saying(
        "coolant setpoint, chiller setpoint, chiller set temperature, coolant set temperature",
        "",
        "temperature setpoint",
        "speed pressure spindle level flow",
        "temperature supply water chiller coolant outlet",
    ),
    "room_temperature": _saying(
        "room temperature, ambient temperature, hall temperature, shop temperature",
        "room, ambient",
        "air temperature",
        "humidity dew pressure light co2 door coolant cabinet chiller bearing spindle flow "
        "setpoint",
        "shop air hall ambient room",
    ),
    "compressor_running": _saying(
        "chiller compressor, air compressor, shop compressor, compressor running",
        "compressor",
        "",
        "pressure temperature hours energy alarm count time power current level oil flow",
        "running on active chiller air shop hall loaded coolant",
    ),
    "air_pressure": _saying(
        "air pressure",
        "",
        "",
        f"{_NUMBERS_ELSEWHERE} vibration hydraulic oil flow coolant vacuum switch ok difference",
        "spindle supply line shop inlet return",
    ),
    "air_flow": _saying(
        "air flow, purge flow",
        "air consumption",
        "",
        "coolant water oil pressure temperature volume limit count setpoint",
        "spindle purge air bearing rate",
    ),
    "air_valve": _saying(
        "air valve, purge valve",
        "purge",
        "",
        "pressure flow temperature count coolant oil",
        "spindle open closed purge bearing on",
    ),
    "oil_pulses": _saying(
        "oil pulse, oil pulse count",
        "spindle lube pulse, lube pulse, lube count, oil count",
        "",
        "uptime level pressure temperature time tank hours alarm way filter volume",
        "air spindle count bearing lube oil pulse",
    ),
    "hydraulic_pressure": _saying(
        "hydraulic pressure",
        "",
        "hydraulic",
        f"{_NUMBERS_ELSEWHERE} temperature level pump flow tank running filter oil state on valve",
        "unit system supply",
    ),
    "way_oil_level": _saying(
        "way oil level, way lube level",
        "lube level, lube oil level, way level",
        "oil level",
        "hydraulic pressure temperature flow pulse gear coolant compressor",
        "oil tank lube",
    ),
    "coolant_level": _saying(
        "coolant level",
        "coolant tank, emulsion level",
        "tank level",
        "temperature pressure flow pump oil way lube hydraulic concentration chip",
        "tank",
    ),
    "pump_running": _saying(
        "coolant pump",
        "",
        "pump",
        "hydraulic oil lube vacuum pressure flow temperature speed hours count current level "
        "chip way alarm",
        "running on active",
    ),
    "door_closed": _saying(
        "door closed, guard closed, door open, guard open, door position",
        "door, guard",
        "",
        "latch lock time count cabinet temperature cycle robot pallet hall room load",
        "front main position",
    ),
    "door_latched": _saying(
        "door latch, door lock, guard lock, guard latch",
        "latch",
        "",
        "time count alarm tool clamp cycle cabinet",
        "front main guard door",
    ),
    "door_latch_time": _saying(
        "latch time, lock time",
        "",
        "",
        "count tool cycle",
        "door guard front",
    ),
    "tool_clamped": _saying(
        "tool clamp, drawbar clamp",
        "clamp, drawbar",
        "",
        "part vise fixture pallet chuck pressure axis table force count time temperature hydraulic",
        "spindle drawbar",
    ),
    "axis_position": _saying(
        "axis position",
        "",
        "",
        f"{_NUMBERS_ELSEWHERE} door valve error following load",
        "machine feedback",
    ),
    "axis_load": _saying(
        "axis load",
        "axis torque, axis current",
        "",
        f"{_NUMBERS_ELSEWHERE} position error temperature speed spindle trace",
        "motor drive torque current",
    ),
    "axis_following_error": _saying(
        "axis following error, axis following",
        "axis error",
        "",
        "position load temperature count alarm code text limit number",
        "",
    ),
    "axis_trace": _saying(
        "axis trace", "axis load, axis following", "axis", "temperature", "load following position"
    ),
    "vibration_velocity": _saying(
        "vibration velocity",
        "vibration",
        "",
        "temperature acceleration frequency alarm limit count crest",
        "spindle rms bearing housing velocity speed",
    ),
    "probe_offset": _saying(
        "probe offset, setter offset",
        "probe calibration, setter calibration",
        "",
        "battery temperature count state time wear",
        "tool probe setter length radius calibration",
    ),
    "energy": _saying(
        "energy",
        "kwh",
        "",
        "cost price factor alarm voltage current",
        "machine count consumption active main power",
    ),
}

STATE_WORDS = {
    "on": word_set(
        "on true yes 1 running run active open opened closed shut locked latched clamped loaded "
        "started start in_cycle executing enabled energized energised ok online up"
    ),
    "off": word_set(
        "off false no 0 stopped stop idle inactive ready interrupted unlocked unlatched unclamped "
        "released unloaded disabled paused offline down end finished"
    ),
}
"""Words of states in general, for the shop's words that a role does not list."""

OFF_FOR = {
    "door_closed": frozenset({"open", "opened", "ajar"}),
    "air_valve": frozenset({"closed", "shut"}),
}
"""Words that mean off of this role, though they mean on elsewhere."""
