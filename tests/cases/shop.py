"""The cases' shop as configuration: only the signals that a case carries."""

import json
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
FACTS: dict[str, Any] = json.loads((HERE / "signals.json").read_text())

BEARING = 'role = "bearing_temperature"\nfed_by = "power"'
SIGNALS = {
    "site/mill-1/power/state": ("power", 'role = "power"'),
    "site/mill-1/spindle/bearing-upper/temp": ("bearing_upper", BEARING + '\nplace = "upper"'),
    "site/mill-1/spindle/bearing-lower/temp": ("bearing_lower", BEARING + '\nplace = "lower"'),
    "site/mill-1/spindle/speed": ("spindle_speed", 'role = "spindle_speed"'),
    "site/mill-1/spindle/load": ("spindle_load", 'role = "spindle_load"'),
    "site/mill-1/air/valve": ("air_valve", 'role = "air_valve"'),
    "site/mill-1/air/flow": ("air_flow", 'role = "air_flow"'),
    "site/mill-1/air/pressure": ("air_pressure", 'role = "air_pressure"\nfed_by = "power"'),
    "site/mill-1/air/pressure-ma": ("air_loop", 'unit = "mA"\nrange = [3.8, 20.5]'),
    "site/mill-1/air/litres": ("air_volume", 'kind = "counter"\nunit = "L"\nwidth = 16'),
    "site/mill-1/oil-air/pulse-count": ("oil", 'role = "oil_pulses"\nwidth = 16\nevery = "480 s"'),
    "site/mill-1/oil-air/uptime-ms": ("oil_uptime", 'kind = "counter"\nunit = "ms"\nwidth = 32'),
    "site/mill-1/chiller/outlet/temp": ("coolant_out", 'role = "coolant_supply_temperature"'),
    "site/mill-1/chiller/setpoint": ("coolant_set", 'role = "coolant_setpoint"'),
    "site/mill-1/chiller/compressor": ("chiller_compressor", 'role = "compressor_running"'),
    "site/shop/ambient/temp": ("room", 'role = "room_temperature"\nstep_max = 20'),
    "site/mill-1/door/closed": ("door_closed", 'role = "door_closed"'),
    "site/mill-1/door/latch": ("door_latched", 'role = "door_latched"'),
    "site/mill-1/coolant/level": ("coolant_level", 'role = "coolant_level"'),
    "site/mill-1/coolant/pump": ("coolant_pump", 'role = "pump_running"'),
    "site/mill-1/run/state": (
        "cycle",
        'role = "cycle_running"\nwords = { on = ["active"], '
        'off = ["ready", "interrupted", "stopped"] }',
    ),
    "site/mill-1/run/cycle-count": ("parts", 'kind = "counter"\nunit = "1"'),
    "site/mill-1/axis-x/load": ("load_x", 'role = "axis_load"\naxis = "x"'),
    "site/mill-1/axis-y/load": ("load_y", 'role = "axis_load"\naxis = "y"'),
    "site/mill-1/axis-z/load": ("load_z", 'role = "axis_load"\naxis = "z"'),
    "site/mill-1/probe/offset-um": (
        "probe",
        'role = "probe_offset"\nunit = "um"\nrange = [-500, 500]',
    ),
    "site/shop/compressor/state": (
        "compressor_loaded",
        'role = "compressor_running"\nplace = "air"\n'
        'words = { on = ["loaded"], off = ["unloaded"] }',
    ),
    "site/mill-1/system/condition": ("control", 'form = "condition"'),
    "site/mill-1/system/availability": ("control_there", 'kind = "state"'),
    "site/gateway-1/online": (
        "gateway",
        'kind = "state"\nwords = { on = ["online"], off = ["offline"] }',
    ),
}
DEVICE = 'sparkplug = "shop/gw1/mill-1"'
METRICS = {  # of the Sparkplug device, instead of topics
    "bearing_upper": ("bearing/temp", BEARING.replace('\nfed_by = "power"', "")),
    "offset": ("offset/um", 'role = "probe_offset"'),
    "air_on": ("air/on", 'role = "air_valve"'),
    "coolant_level": ("coolant/level", 'role = "coolant_level"'),
}
NESTED = "site/mill-1/spindle/bearing-upper/temp"
PLACES = {  # ways to read the nested payloads of one topic
    "packed": 'value = "/v"\ntime = "/t0"\ndt = "/dt"',
    "deep": 'value = "/d/temp/value"\ntime = "/ts"',
    "named": 'each = "/samples"\nwhere = ["/n", "upper"]\nvalue = "/v"\ntime = "/t"',
    "each": 'each = ""\nvalue = "/v"\ntime = "/t"',
    "plain": "",
}
CHECKS = {  # limits of signals.json that no shipped check stands for
    "bearing_upper": ("upper-over-limit", "bearing_upper > 55", "60 s", 1.0),
    "bearing_lower": ("lower-over-limit", "bearing_lower > 55", "60 s", 1.0),
    "air_pressure": ("air-pressure-low", "air_pressure < 5", "10 s", 0.1),
}


def configuration(topics: set[str], extra: str = "") -> str:
    """TOML for the topics a case carries; `extra` replaces or adds what a case needs."""
    out = [
        '[site]\nname = "Case shop"\ntimezone = "UTC"\nunattended = ["Mon-Sun 20:00-06:00"]',
        '[broker]\nurl = "mqtt://127.0.0.1:1883"',
        '[store]\npath = "store"',
        '[[machine]]\nid = "mill-1"\nname = "Mill 1"',
    ]
    names, power = [], "site/mill-1/power/state" in topics
    for topic, (name, text) in [*SIGNALS.items(), *_zones(topics)]:
        if topic in topics:
            body = text if power else text.replace('\nfed_by = "power"', "")
            out.append(f"[machine.signal.{name}]\ntopic = {json.dumps(topic)}\n{body}")
            names.append(name)
    for name, (metric, text) in METRICS.items() if any("spBv1.0" in t for t in topics) else ():
        out.append(f'[machine.signal.{name}]\n{DEVICE}\nmetric = "{metric}"\n{text}')
        names.append(name)
    for name, (check, when, hold, deadband) in CHECKS.items():
        if name in names:
            out.append(
                f'[[check]]\nid = "{check}"\nmachines = ["*"]\nwhen = "{when}"\n'
                f'hold = "{hold}"\ndeadband = {deadband}\nurgency = "today"\n'
                f'title = "{check}"\nwhy = "limit of the case"\nlook_first = ["the case"]'
            )
    return "\n\n".join([*out, extra])


def _zones(topics: set[str]) -> list[tuple[str, tuple[str, str]]]:
    """Forty zone temperatures and the clamps of the flood case."""
    out = []
    for topic in sorted(topics):
        part = topic.split("/")
        if len(part) > 2 and part[2].startswith("zone-"):
            out.append((topic, (part[2].replace("-", "_"), 'unit = "Cel"\nstale_after = "10 min"')))
        elif topic.endswith(("pressure-ok", "air-ok")):
            out.append((topic, ("_".join(part[2:]).replace("-", "_"), 'kind = "state"')))
    return out
