"""The machines and sensors of the simulated shop, and the configuration that describes them."""

from dataclasses import dataclass
from pathlib import Path

ZONE = "Europe/Oslo"


@dataclass(frozen=True, slots=True)
class Mill:
    """One simulated machining centre; heat gains are kelvin at top speed. All figures invented."""

    number: int
    id: str
    name: str
    speed_max: float  # 1/min
    trip_c: float  # bearing temperature at which it stops itself
    gain_upper_k: float
    gain_lower_k: float
    setpoint_c: float
    air_l_min: float
    nights: frozenset[int]  # weekdays whose night runs on unattended, 0 = Monday
    axes: tuple[str, ...] = ("x", "y", "z")


MILLS = (
    Mill(0, "mill-1", "Five-axis mill", 18000, 60, 24, 30, 22, 38, frozenset({1, 3})),
    Mill(1, "mill-2", "Vertical mill", 12000, 58, 21, 26, 23, 26, frozenset({0, 2}), ("x", "z")),
)


@dataclass(frozen=True, slots=True)
class Sensor:
    """One simulated sensor. `period_s` 0: sent on change and again after `repeat_s`."""

    name: str
    topic: str
    role: str
    unit: str = ""
    period_s: float = 0.0
    sigma: float = 0.0
    resolution: float = 0.0
    digits: int = 0
    form: str = "json"
    words: tuple[str, str] | None = None  # (off, on)
    fed: bool = False  # silent on purpose while the machine is off
    repeat_s: int = 300
    extra: str = ""  # further lines of its configuration
    floor: float = float("-inf")  # the sensor shows nothing below
    phase_ms: int = 0


_STATE = ("off", "on")
_CLAMP = ("released", "clamped")


def sensors(mill: Mill) -> tuple[Sensor, ...]:
    """Every sensor of a machine, each sending at a moment of its own."""
    rows = [*_spindle(mill), *_around(), *_door()]
    for axis in mill.axes:
        rows += _axis(axis)
    rows += _further(mill)
    return tuple(_placed(mill, place, row) for place, row in enumerate(rows))


def _placed(mill: Mill, place: int, row: Sensor) -> Sensor:
    values = {name: getattr(row, name) for name in Sensor.__slots__}
    values["topic"] = f"pier/{mill.id}/{row.topic}"
    values["phase_ms"] = (137 * place + 59 * mill.number) % 1000
    return Sensor(**values)


def _spindle(mill: Mill) -> list[Sensor]:
    bearing = f"trip = {mill.trip_c:g}\n"
    return [
        Sensor("power", "power", "power", form="text", words=_STATE),
        Sensor(
            "cycle_running",
            "program/state",
            "cycle_running",
            form="text",
            words=("stopped", "running"),
        ),
        Sensor(
            "spindle_speed",
            "spindle/speed",
            "spindle_speed",
            "/min",
            1,
            0.8,
            1,
            0,
            fed=True,
            floor=0,
        ),
        Sensor(
            "spindle_load", "spindle/load", "spindle_load", "%", 1, 0.7, 0.1, 1, fed=True, floor=0
        ),
        Sensor(
            "bearing_upper",
            "spindle/bearing/upper",
            "bearing_temperature",
            "Cel",
            10,
            0.05,
            0.1,
            1,
            extra='place = "upper"\n' + bearing,
        ),
        Sensor(
            "bearing_lower",
            "spindle/bearing/lower",
            "bearing_temperature",
            "Cel",
            10,
            0.05,
            0.1,
            1,
            extra='place = "lower"\n' + bearing,
        ),
        Sensor("air_valve", "spindle/air/valve", "air_valve", form="text", words=("shut", "open")),
        Sensor("air_flow", "spindle/air/flow", "air_flow", "L/min", 10, 0.12, 0.1, 1),
        Sensor(
            "oil_pulses",
            "spindle/oil/pulses",
            "oil_pulses",
            digits=0,
            repeat_s=60,
            extra='width = 16\nevery = "8 min"\n',
        ),
    ]


def _around() -> list[Sensor]:
    return [
        Sensor(
            "coolant_supply",
            "chiller/supply",
            "coolant_supply_temperature",
            "Cel",
            20,
            0.03,
            0.01,
            2,
        ),
        Sensor(
            "coolant_setpoint",
            "chiller/setpoint",
            "coolant_setpoint",
            "Cel",
            60,
            0,
            0.1,
            1,
            form="text",
        ),
        Sensor("compressor", "chiller/compressor", "compressor_running", form="text", words=_STATE),
        Sensor("room", "room", "room_temperature", "Cel", 60, 0.03, 0.1, 1, form="text"),
        Sensor("air_pressure", "air/pressure", "air_pressure", "bar", 10, 0.01, 0.01, 2),
        Sensor(
            "hydraulic_pressure",
            "hydraulic/pressure",
            "hydraulic_pressure",
            "bar",
            5,
            0.1,
            0.1,
            1,
            fed=True,
        ),
        Sensor("way_oil", "wayoil/level", "way_oil_level", "%", 60, 0.1, 0.1, 1, form="text"),
        Sensor(
            "coolant_level", "coolant/level", "coolant_level", "%", 60, 0.15, 0.1, 1, form="text"
        ),
        Sensor("coolant_pump", "coolant/pump", "pump_running", form="text", words=_STATE),
    ]


def _door() -> list[Sensor]:
    return [
        Sensor(
            "door_closed", "door/position", "door_closed", form="text", words=("open", "closed")
        ),
        Sensor(
            "door_latched", "door/latch", "door_latched", form="text", words=("unlocked", "locked")
        ),
        Sensor("latch_time", "door/latchtime", "door_latch_time", "s", digits=2, repeat_s=0),
    ]


def _axis(axis: str) -> list[Sensor]:
    own = f'axis = "{axis}"\n'
    return [
        Sensor(
            f"load_{axis}",
            f"axis/{axis}/load",
            "axis_load",
            "%",
            2,
            0.6,
            0.1,
            1,
            fed=True,
            extra=own,
        ),
        Sensor(
            f"position_{axis}",
            f"axis/{axis}/position",
            "axis_position",
            "mm",
            2,
            0.0005,
            0.001,
            3,
            fed=True,
            extra=own,
        ),
        Sensor(
            f"following_error_{axis}",
            f"axis/{axis}/error",
            "axis_following_error",
            "um",
            2,
            0.2,
            0.1,
            1,
            fed=True,
            floor=0,
            extra=own,
        ),
    ]


def _further(mill: Mill) -> list[Sensor]:
    rows = [
        Sensor(
            "vibration",
            "spindle/vibration",
            "vibration_velocity",
            "mm/s",
            10,
            0.04,
            0.01,
            2,
            fed=True,
            floor=0,
        ),
        Sensor("tool_clamped", "spindle/clamp", "tool_clamped", form="text", words=_CLAMP),
        Sensor("control", "control/condition", "", form="condition", words=("NORMAL", "FAULT")),
        Sensor("probe", "probe/offset", "probe_offset", "um", digits=1, repeat_s=0),
    ]
    if mill.number == 0:
        place = 'place = "air"\n'
        rows.append(
            Sensor(
                "net_compressor",
                "net/compressor",
                "compressor_running",
                form="text",
                words=("unloaded", "loaded"),
                extra=place,
            )
        )
        for axis in ("x", "y"):
            own = f'dt = "/dt"\naxis = "{axis}"\n'
            rows.append(
                Sensor(f"stroke_{axis}", f"axis/{axis}/stroke", "axis_trace", "%", extra=own)
            )
    return rows


def configuration(host: str, port: int, store: Path, lateness: str = "2 s") -> str:
    """Write the configuration of this shop as TOML, for a broker and a data folder."""
    text = f"""# The simulated shop North Pier Optics, which exists only inside condmon.

[site]
name = "North Pier Optics (simulated)"
timezone = "{ZONE}"
lateness = "{lateness}"
unattended = ["Mon-Fri 20:00-06:00", "Sat-Sun 00:00-24:00"]

[broker]
url = "mqtt://{host}:{port}"

[store]
path = '{store}'
"""
    return text + "".join(_machine(mill) for mill in MILLS)


def _machine(mill: Mill) -> str:
    head = f'\n[[machine]]\nid = "{mill.id}"\nname = "{mill.name}"\n'
    return head + "".join(_signal(sensor) for sensor in sensors(mill))


def _signal(sensor: Sensor) -> str:
    lines = [
        f"\n[machine.signal.{sensor.name}]",
        f'topic = "{sensor.topic}"',
    ]
    if sensor.role:
        lines.append(f'role = "{sensor.role}"')
    if sensor.unit:
        lines.append(f'unit = "{sensor.unit}"')
    if sensor.form == "condition":
        lines.append('form = "condition"')
    elif sensor.words:
        off, on = sensor.words
        lines.append(f'words = {{ on = ["{on}"], off = ["{off}"] }}')
    elif sensor.form == "json":
        lines.append('value = "/v"\ntime = "/t"')
    if sensor.fed:
        lines.append('fed_by = "power"')
    return "\n".join(lines) + "\n" + sensor.extra
