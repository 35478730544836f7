"""The benches' day: 40 signals of one machine once a second, with a handful of faults in it.

Also the machine's configuration, and its two models (`thermal` and `odd`), fitted by the product's
own learning to ten days of the same work without faults. All of it is seeded and kept in a folder,
so that it is made once.
"""

import json
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa

from condmon import capture
from condmon.config import load
from condmon.engine.checks.odd_pattern import OddPattern
from condmon.engine.records import GOOD, NO_TIME, SECOND_US, Batch, Beacon, ModelOn, Samples
from condmon.engine.settings import Settings

AT_US = 1_763_942_400_000_000  # 2025-11-24T00:00:00Z
DAY_S = 86_400
LEARN_DAYS = 10
SIGNALS = [
    ("power", "power", ""),
    ("cycle_running", "cycle_running", ""),
    ("spindle_speed", "spindle_speed", ""),
    ("spindle_load", "spindle_load", ""),
    ("bearing_upper", "bearing_temperature", "trip = 55"),
    ("bearing_lower", "bearing_temperature", "trip = 55"),
    ("coolant_supply", "coolant_supply_temperature", ""),
    ("coolant_setpoint", "coolant_setpoint", ""),
    ("room", "room_temperature", ""),
    ("compressor", "compressor_running", ""),
    ("air_pressure", "air_pressure", ""),
    ("air_flow", "air_flow", ""),
    ("air_valve", "air_valve", ""),
    ("oil_pulses", "oil_pulses", 'every = "8 min"\nwidth = 16'),
    ("hydraulic", "hydraulic_pressure", ""),
    ("way_oil", "way_oil_level", ""),
    ("coolant_level", "coolant_level", ""),
    ("pump", "pump_running", ""),
    ("door_closed", "door_closed", ""),
    ("door_latched", "door_latched", ""),
    ("door_latch_time", "door_latch_time", ""),
    ("tool_clamped", "tool_clamped", ""),
    *((f"{axis}_position", "axis_position", f'axis = "{axis}"') for axis in "xyzac"),
    *((f"{axis}_load", "axis_load", f'axis = "{axis}"') for axis in "xyzac"),
    *((f"{axis}_error", "axis_following_error", f'axis = "{axis}"') for axis in "xyzac"),
    ("vibration_upper", "vibration_velocity", ""),
    ("vibration_lower", "vibration_velocity", ""),
    ("energy", "energy", ""),
]


HEAD = """
[site]
name = "North Pier Optics"
timezone = "Europe/Oslo"
unattended = ["Mon-Fri 20:00-06:00"]
[broker]
url = "mqtt://127.0.0.1:1883"
[store]
path = "store"
[[machine]]
id = "mill-1"
name = "Five-axis mill"
"""


def configuration(folder: Path) -> Path:
    """Write the configuration of the bench's one machine."""
    path = folder / "condmon.toml"
    parts = [HEAD]
    parts += [
        f'[machine.signal.{name}]\ntopic = "pier/mill-1/{name}"\nrole = "{role}"\n{more}\n'
        for name, role, more in SIGNALS
    ]
    path.write_text("\n".join(parts))
    return path


def columns(seed: int = 20251124, *, faults: bool = True) -> dict[str, np.ndarray]:
    """One value a second for every signal: a working day, with or without its faults."""
    rng = np.random.default_rng(seed)
    t = np.arange(DAY_S)
    hour = t / 3600
    on = (hour >= 5) & (hour < 21)
    cutting = on & (hour >= 6) & (t % 1800 < 1500)
    step = t // 1800 % 3 if faults else rng.permutation(48)[t // 1800] % 3
    speed = np.where(cutting, 6000 + 3000 * step, 0) + rng.normal(0, 3, DAY_S) * cutting
    heat = warmth(speed)
    noise = lambda size: rng.normal(0, size, DAY_S)  # noqa: E731
    opened = (t % 1800 > 1500) & (t % 1800 < 1700) & on
    oiled = cutting & ((hour < 9) | (hour > 11)) if faults else cutting
    values = {
        "power": on, "cycle_running": cutting, "spindle_speed": speed,
        "spindle_load": 35 * cutting + noise(2), "bearing_upper": 24 + heat + noise(0.05),
        "bearing_lower": 23 + heat * 0.9 + noise(0.05),
        "coolant_supply": 22 + 0.5 * np.sin(t / 200) + noise(0.05),
        "coolant_setpoint": np.full(DAY_S, 22.0), "room": 21 + 2 * np.sin(t / 13750) + noise(0.02),
        "compressor": t % 600 < 240, "air_pressure": 6.2 + noise(0.02),
        "air_flow": np.where(on | (faults & (hour > 21.5)), 38, 0.1) + noise(0.05),
        "air_valve": on, "oil_pulses": (65_500 + oiled.cumsum() // 480) % 65_536,
        "hydraulic": 120 * on + noise(0.3), "way_oil": 80 - hour * 0.2 + noise(0.05),
        "coolant_level": 75 - hour * 0.3 + noise(0.02),
        "pump": cutting, "door_closed": ~opened, "door_latched": ~opened & ~np.roll(opened, 2),
        "door_latch_time": 0.8 + noise(0.02), "tool_clamped": on,
        "vibration_upper": 0.4 + 0.6 * cutting + abs(noise(0.05)),
        "vibration_lower": 0.5 + 0.5 * cutting + abs(noise(0.05)),
        "energy": (on * 1.5 + cutting * 6.0).cumsum() / 3600,
    }  # fmt: skip
    for place, axis in enumerate("xyzac"):
        values[f"{axis}_position"] = 200 * np.sin(t / (40 + place)) * cutting
        values[f"{axis}_load"] = (15 + 3 * place) * cutting + noise(1)
        values[f"{axis}_error"] = 4 * cutting + noise(0.5)
    if faults:
        values["bearing_upper"] += np.where((hour > 13) & (hour < 13.5), (hour - 13) * 50, 0)
        values["coolant_supply"] += np.clip((hour - 15) * 8, 0, 5) * (hour < 16.5)
        values["coolant_level"] -= np.clip((hour - 22.5) * 20, 0, 100)
        values["vibration_upper"][(hour > 17) & (hour < 17.5)] = np.nan  # unusable
    return {name: np.round(values[name].astype(float), 3) for name, _, _ in SIGNALS}


def warmth(speed: np.ndarray) -> np.ndarray:
    """What the speeds heat a bearing by: first order, 20 min."""
    heat, now = np.zeros(DAY_S), 0.0
    for i, goal in enumerate((speed / 750).tolist()):
        now += (goal - now) / 1200
        heat[i] = now
    return heat


def grid(values: dict[str, np.ndarray], day: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """Instants and values of a day in order of time, a signal every 20 ms."""
    n = len(SIGNALS)
    assert n == 40
    second_us = AT_US + (day * DAY_S + np.arange(DAY_S)[:, None]) * SECOND_US
    at_us = (second_us + np.arange(n) * 20_000).ravel()
    return at_us, np.stack([values[name] for name, _, _ in SIGNALS], axis=1).ravel()


def make_day(path: Path) -> None:
    """Write the day as a capture sorted by time, 3,456,000 rows."""
    at_us, value = grid(columns())
    place = pa.array(np.tile(np.arange(len(SIGNALS), dtype=np.int32), DAY_S))
    machine = pa.DictionaryArray.from_arrays(pa.array(np.zeros(len(value), np.int32)), ["mill-1"])
    names = pa.array([name for name, _, _ in SIGNALS])
    content = {
        "time": pa.array(at_us, pa.timestamp("us", "UTC")), "machine": machine,
        "signal": pa.DictionaryArray.from_arrays(place, names), "value": value,
    }  # fmt: skip
    capture.write_capture(path, pa.table(content))


def healthy(days: int) -> Iterator[Batch]:
    """So many days without faults before the bench's day, an hour a batch."""
    hour = 3600 * len(SIGNALS)
    signal = np.tile(np.arange(len(SIGNALS), dtype=np.int32), 3600)
    for day in range(days):
        at_us, value = grid(columns(day, faults=False), day - days)
        for row in range(0, len(value), hour):
            at, part = at_us[row : row + hour], value[row : row + hour]
            zero = np.zeros(hour, np.uint8)
            run = Samples(
                signal, at, np.full(hour, NO_TIME, np.int64), part,
                np.full(hour, GOOD, np.uint8), np.zeros(hour, np.uint16), zero,
            )  # fmt: skip
            yield [run, Beacon(int(at[-1]))]


def learn(settings: Settings) -> list[ModelOn]:
    """Both models, as `condmon learn` would fit them."""
    from condmon.learning.__main__ import odd
    from condmon.learning.history import tables
    from condmon.learning.thermal import Keepers

    keepers = Keepers()
    found = tables(healthy(LEARN_DAYS), settings, keepers.attach)
    [machine] = settings.machines
    made = [keepers.learn(machine, settings), odd(machine, found[machine.id], OddPattern.figures)]
    assert all(one is not None and one.content for one in made), [one.words for one in made if one]
    return [ModelOn(AT_US, one.machine, one.model, one.id, one.content) for one in made if one]


def ready(folder: Path) -> tuple[Path, Settings, list[ModelOn]]:
    """The day's capture, the settings and the models; made where the folder has them not yet."""
    folder.mkdir(parents=True, exist_ok=True)
    day, kept = folder / "day-1.parquet", folder / "models.json"
    settings = load(configuration(folder)).settings
    if not day.exists():
        make_day(day)
    if not kept.exists():
        print("learning from ten days, once", file=sys.stderr)
        rows = [[m.at_us, m.machine, m.model, m.id, m.content] for m in learn(settings)]
        kept.write_text(json.dumps(rows))
    return day, settings, [ModelOn(*row) for row in json.loads(kept.read_text())]
