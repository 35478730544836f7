"""Roles: what a signal can be, and what follows from it when the shop says nothing else. Pure.

Every figure is common practice of the trade with no source unless its `reason` says otherwise. They
are wide on purpose: a plausible range only has to catch a broken sensor, never a hot machine.
"""

from dataclasses import dataclass

from condmon.engine.settings import Kind

MEASURE_STALE_S = 600.0
"""Ten silent minutes: sensors send at least once a minute, so ten misses are no lost message."""
SLOW_STALE_S = 3600.0
"""Set points and room temperature: many gateways send them on change or on the hour only."""
TEMPERATURE_STEP_K = 8.0
"""A spindle, a tank or a room has too much mass to move 8 K between neighbouring samples."""

_ON = ("on", "1", "true", "active", "available")
_OFF = ("off", "0", "false", "inactive")
_RUNNING = ("on", "running", "1", "true", "active")
_STOPPED = ("off", "stopped", "0", "false", "inactive")


@dataclass(frozen=True, slots=True)
class Role:
    """What a role implies.

    Parameters
    ----------
    kind, unit
        Kind of the signal and UCUM code of `range` and `step_max`.
    meaning
        In the shop's words; of a state, what true means.
    reason
        Why these figures.
    range
        Plausible values, both ends included, in `unit`; None: any.
    step_max
        A larger jump between neighbours is a spike until the next sample confirms it; None: the
        thing really can jump.
    stale_after_s
        None: a value holds until the next one.
    debounce_s
        A state must hold that long before it counts.
    words_on, words_off
        Words taken as true and false, lower case; every other word is unknown, never false.
    """

    kind: Kind
    unit: str
    meaning: str
    reason: str
    range: tuple[float, float] | None = None
    step_max: float | None = None
    stale_after_s: float | None = None
    debounce_s: float = 0.0
    words_on: tuple[str, ...] = ()
    words_off: tuple[str, ...] = ()


def _measure(
    unit: str,
    span: tuple[float, float],
    meaning: str,
    reason: str,
    *,
    step_max: float | None = None,
    stale_after_s: float = MEASURE_STALE_S,
) -> Role:
    return Role("measure", unit, meaning, reason, span, step_max, stale_after_s)


def _state(
    on: tuple[str, ...], off: tuple[str, ...], meaning: str, reason: str, *, debounce_s: float = 0.0
) -> Role:
    return Role("state", "1", meaning, reason, debounce_s=debounce_s, words_on=on, words_off=off)


ROLES: dict[str, Role] = {
    "power": _state(
        _ON, _OFF, "true: the machine is switched on",
        "'yes' and 'standby' are left out: shops mean different things by them"),
    "cycle_running": _state(
        (*_RUNNING, "run", "in_cycle"),
        (*_STOPPED, "ready", "interrupted", "idle"), "true: a program is running",
        "a hold of the feed is neither clearly: its word stays unknown until the shop lists it"),
    "spindle_speed": _measure(
        "/min", (-60_000.0, 60_000.0), "speed of the spindle",
        "fast milling spindles end near 60,000/min; some controls sign the direction; "
        "a hard stop takes less than a second, so any jump is possible"),
    "spindle_load": _measure(
        "%", (-250.0, 250.0), "load of the spindle drive",
        "drives allow short overloads of two to two and a half times; braking may be negative"),
    "bearing_temperature": _measure(
        "Cel", (-10.0, 120.0), "temperature at a spindle bearing",
        "a machine stops itself far below 120; below -10 no shop works: both are sensor faults",
        step_max=TEMPERATURE_STEP_K),
    "coolant_supply_temperature": _measure(
        "Cel", (0.0, 60.0), "temperature of the cooling liquid as it leaves the chiller",
        "water based liquids freeze at the one end, chillers trip well below the other",
        step_max=TEMPERATURE_STEP_K),
    "coolant_setpoint": _measure(
        "Cel", (0.0, 60.0), "temperature the chiller is told to hold",
        "same span as the liquid; a person or a control changes it at once, so any jump is real",
        stale_after_s=SLOW_STALE_S),
    "room_temperature": _measure(
        "Cel", (-20.0, 50.0), "temperature of the air around the machine",
        "a sensor outside -20 to 50 in a working shop is broken or in the wrong place",
        step_max=TEMPERATURE_STEP_K, stale_after_s=SLOW_STALE_S),
    "compressor_running": _state(
        (*_RUNNING, "loaded"), (*_STOPPED, "unloaded"),
        "true: the compressor delivers (of an air compressor: it is loaded)",
        "an unloaded compressor turns but delivers nothing, so it counts as off"),
    "air_pressure": _measure(
        "bar", (-0.2, 16.0), "gauge pressure of the compressed air at the machine",
        "shop nets end at 10 to 13 bar; a zero offset of a sensor is below 0.2; "
        "a burst hose empties a line at once, so any jump is possible"),
    "air_flow": _measure(
        "L/min", (-1.0, 5000.0), "flow of compressed air, at reference conditions",
        "a zero offset of a meter is below 1; a whole machine takes less than 5000; "
        "a valve opens at once, so any jump is possible"),
    "air_valve": _state(
        ("open", "on", "1", "true"), ("closed", "shut", "off", "0", "false"),
        "true: the valve is open, air can flow",
        "a valve that is closed is off; of a door the same word means the opposite"),
    "oil_pulses": Role(
        "counter", "1", "pulses of the oil feed of the spindle bearings, counted",
        "a counter says nothing between pulses: the check on the interval sees its silence"),
    "hydraulic_pressure": _measure(
        "bar", (-1.0, 400.0), "gauge pressure of the hydraulics",
        "machine hydraulics end well below 400 bar; less than -1 bar cannot be"),
    "way_oil_level": _measure(
        "%", (-5.0, 105.0), "level of the way oil tank",
        "zero offset and overfilling of 5 are usual; a tank is filled at once"),
    "coolant_level": _measure(
        "%", (-5.0, 105.0), "level of the coolant tank",
        "zero offset and overfilling of 5 are usual; a pump start swings the surface"),
    "pump_running": _state(
        _RUNNING, _STOPPED, "true: the coolant pump runs", "plain words of a motor"),
    "door_closed": _state(
        ("closed", "shut", "1", "true"), ("open", "opened", "0", "false"),
        "true: the door is shut",
        "'on' and 'off' are left out: of a door nobody knows which is which; "
        "0.2 s covers the bounce of a switch", debounce_s=0.2),
    "door_latched": _state(
        ("locked", "latched", "1", "true"), ("unlocked", "unlatched", "0", "false"),
        "true: the door is latched", "0.2 s covers the bounce of a switch", debounce_s=0.2),
    "door_latch_time": Role(
        "measure", "s", "time the door took to latch, once for every closing",
        "longer than a minute is no latching; one value a closing, so silence is no fault",
        (0.0, 60.0)),
    "tool_clamped": _state(
        ("clamped", "1", "true"), ("unclamped", "released", "0", "false"),
        "true: the tool is clamped", "plain words of a clamp"),
    "axis_position": _measure(
        "mm", (-20_000.0, 20_000.0), "position of an axis",
        "longer than any travel of a machining centre; a rotary axis turns less than 55 times; "
        "a rapid move or a change of the zero jumps, so any jump is possible"),
    "axis_load": _measure(
        "%", (-250.0, 250.0), "load of an axis drive",
        "drives allow short overloads of two to two and a half times, signed by direction"),
    "axis_following_error": _measure(
        "um", (-20_000.0, 20_000.0), "distance between commanded and actual position",
        "at a gain of 1 (m/min)/mm a rapid of 20 m/min lags 20 mm; more stops any drive"),
    "axis_trace": Role(
        "trace", "%", "one stroke of an axis, as an array", "one array a stroke, at any time"),
    "vibration_velocity": _measure(
        "mm/s", (0.0, 200.0), "vibration velocity at the spindle, root mean square",
        "a root mean square is never negative; 200 is far beyond a machine that still runs; "
        "a broken tool jumps at once"),
    "probe_offset": Role(
        "calibration", "um", "offset found by a calibration of a probe or tool setter",
        "more than half a millimetre is a wrong stylus or a crash, not an offset",
        (-500.0, 500.0)),
    "energy": Role(
        "counter", "kW.h", "energy taken, counted", "a counter holds while nothing is taken"),
}  # fmt: skip
