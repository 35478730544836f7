"""A day of 40 signals once a second through the real reader and engine, against a plain loop.

Makes the day (seeded, kept in the folder given), replays it from Parquet through all shipped
checks, then two yardsticks. `plainloop.py` is what one would write first; it knows nine of the
checks, so `ratio` (loop over replay) compares less work with more. `by_sample` does the same work
to the byte: the same engine given one sample at a time and a beacon each second, for a few minutes
of the day, scaled to a day (`ratio_by_sample`). `cpu_s` is processor time of the whole process,
which a busy machine does not stretch as it does `seconds`. Reading the file is part of all.

    python tests/bench/replay.py [FOLDER] [--rounds 3] [--profile]
"""

import argparse
import gc
import json
import statistics
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from condmon import capture
from condmon.capture.ahead import ahead
from condmon.commands.replay import replay
from condmon.config import load
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert
from condmon.engine.records import SECOND_US, Beacon, Samples
from tests.bench.plainloop import PlainLoop

AT_US = 1_763_942_400_000_000  # 2025-11-24T00:00:00Z
DAY_S = 86_400
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


def columns() -> dict[str, np.ndarray]:
    """One value a second for every signal: a working day with a handful of faults in it."""
    rng = np.random.default_rng(20251124)
    t = np.arange(DAY_S)
    hour = t / 3600
    on = (hour >= 5) & (hour < 21)
    cutting = on & (hour >= 6) & (t % 1800 < 1500)
    speed = np.where(cutting, 6000 + 3000 * (t // 1800 % 3), 0) + rng.normal(0, 3, DAY_S) * cutting
    heat = np.zeros(DAY_S)
    for i in range(1, DAY_S):
        heat[i] = heat[i - 1] + (speed[i] / 750 - heat[i - 1]) / 1200
    noise = lambda size: rng.normal(0, size, DAY_S)  # noqa: E731
    bearing = 24 + heat + np.where((hour > 13) & (hour < 13.5), (hour - 13) * 50, 0)
    supply = 22 + 0.5 * np.sin(t / 200) + np.clip((hour - 15) * 8, 0, 5) * (hour < 16.5)
    pulse = (cutting & ((hour < 9) | (hour > 11))).cumsum() // 480
    opened = (t % 1800 > 1500) & (t % 1800 < 1700) & on
    values = {
        "power": on, "cycle_running": cutting, "spindle_speed": speed,
        "spindle_load": 35 * cutting + noise(2), "bearing_upper": bearing + noise(0.05),
        "bearing_lower": 23 + heat * 0.9 + noise(0.05), "coolant_supply": supply + noise(0.05),
        "coolant_setpoint": np.full(DAY_S, 22.0), "room": 21 + 2 * np.sin(t / 13750) + noise(0.02),
        "compressor": t % 600 < 240, "air_pressure": 6.2 + noise(0.02),
        "air_flow": np.where(on | (hour > 21.5), 38, 0.1) + noise(0.05), "air_valve": on,
        "oil_pulses": 65_500 + pulse, "hydraulic": 120 * on + noise(0.3),
        "way_oil": 80 - hour * 0.2 + noise(0.05),
        "coolant_level": 75 - hour * 0.3 - np.clip((hour - 22.5) * 20, 0, 100) + noise(0.02),
        "pump": cutting, "door_closed": ~opened, "door_latched": ~opened & ~np.roll(opened, 2),
        "door_latch_time": 0.8 + noise(0.02), "tool_clamped": on,
        "vibration_upper": 0.4 + 0.6 * cutting + abs(noise(0.05)),
        "vibration_lower": 0.5 + 0.5 * cutting + abs(noise(0.05)),
        "energy": (on * 1.5 + cutting * 6.0).cumsum() / 3600,
    }  # fmt: skip
    values["oil_pulses"] = values["oil_pulses"] % 65_536
    values["vibration_upper"][(hour > 17) & (hour < 17.5)] = np.nan  # unusable
    for place, axis in enumerate("xyzac"):
        values[f"{axis}_position"] = 200 * np.sin(t / (40 + place)) * cutting
        values[f"{axis}_load"] = (15 + 3 * place) * cutting + noise(1)
        values[f"{axis}_error"] = 4 * cutting + noise(0.5)
    return {name: np.round(values[name].astype(float), 3) for name, _, _ in SIGNALS}


def make_day(path: Path) -> None:
    """Write the day as a capture sorted by time, 3,456,000 rows."""
    values = columns()
    n = len(SIGNALS)
    assert n == 40
    at_us = AT_US + (np.arange(DAY_S)[:, None] * SECOND_US + np.arange(n) * 20_000).ravel()
    names = pa.array([name for name, _, _ in SIGNALS])
    place = pa.array(np.tile(np.arange(n, dtype=np.int32), DAY_S))
    machine = pa.DictionaryArray.from_arrays(pa.array(np.zeros(DAY_S * n, np.int32)), ["mill-1"])
    content = {
        "time": pa.array(at_us, pa.timestamp("us", "UTC")), "machine": machine,
        "signal": pa.DictionaryArray.from_arrays(place, names),
        "value": np.stack([values[name] for name, _, _ in SIGNALS], axis=1).ravel(),
    }  # fmt: skip
    capture.write_capture(path, pa.table(content))


def by_engine(path: Path, config: Path) -> tuple[float, Counter[str], int]:
    """Seconds, checks raised and ticks of one replay."""
    settings = load(config).settings
    gc.collect()
    began = time.perf_counter()
    notes = capture.Notes()
    engine = Engine(settings)
    said = replay(ahead(capture.read([path], settings, notes)), engine)
    took = time.perf_counter() - began
    assert not notes.warnings, notes.warnings
    alerts = {output.id: output.check for output in said if isinstance(output, Alert)}
    return took, Counter(alerts.values()), engine.ticks_done


def by_sample(path: Path, config: Path, length_s: int) -> float:
    """Seconds a day of the same engine given a sample at a time, from a part at midday."""
    settings = load(config).settings
    engine = Engine(settings)
    begun_us = AT_US + 12 * 3600 * SECOND_US
    took = 0.0
    for batch in capture.read([path], settings, capture.Notes()):
        run = batch[0]
        assert isinstance(run, Samples)
        first, last = np.searchsorted(
            run.arrived_us, [begun_us, begun_us + length_s * SECOND_US]
        ).tolist()
        second = 0
        began = time.process_time()
        for row in range(first, last):
            one = run.cut(row, row + 1)
            at_us = int(one.arrived_us[0])
            if at_us // SECOND_US > second:
                second = at_us // SECOND_US
                engine.push([Beacon(at_us)])
            engine.push([one])
        took += time.process_time() - began
    return took * DAY_S / length_s


def by_loop(path: Path, config: Path) -> tuple[float, Counter[str]]:
    """Seconds and checks raised of the plain loop."""
    settings = load(config).settings
    machine = settings.machines[0]
    place = {signal.name: i for i, signal in enumerate(machine.signals)}
    gc.collect()
    began = time.perf_counter()
    table = pq.read_table(path)
    times = table.column("time").cast(pa.int64()).to_pylist()
    signals = [place[name] for name in table.column("signal").to_pylist()]
    values = table.column("value").to_pylist()
    loop = PlainLoop(machine, settings.unattended, settings.calendar.minute_of_week)
    raised = loop.run(times, signals, values)
    return time.perf_counter() - began, Counter(check for _, check in raised)


def main() -> None:
    """Measure and print one JSON line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("folder", nargs="?", type=Path, help="where the day is kept")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--by-sample-s", type=int, default=60, help="how much of the day")
    parser.add_argument("--profile", action="store_true", help="where the replay's time goes")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = args.folder or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        day, config = folder / "day-1.parquet", configuration(folder)
        if not day.exists():
            make_day(day)
        if args.profile:
            import cProfile

            cProfile.runctx("by_engine(day, config)", globals(), locals(), sort="tottime")
            return
        by_engine(day, config)  # libraries load
        cpu_s = time.process_time()
        rounds = [by_engine(day, config) for _ in range(args.rounds)]
        cpu_s = (time.process_time() - cpu_s) / args.rounds
        loop_cpu_s = time.process_time()
        loop_s, loop_raised = by_loop(day, config)
        loop_cpu_s = time.process_time() - loop_cpu_s
        sample_s = by_sample(day, config, args.by_sample_s)
    seconds = statistics.median(took for took, _, _ in rounds)
    raised, ticks = rounds[0][1:]
    samples = DAY_S * len(SIGNALS)
    print(json.dumps({
        "seconds": round(seconds, 3), "samples": samples,
        "samples_per_s": round(samples / seconds), "alerts": sum(raised.values()),
        "cpu_s": round(cpu_s, 3), "ratio": round(loop_cpu_s / cpu_s, 2),
        "loop_seconds": round(loop_s, 3), "loop_cpu_s": round(loop_cpu_s, 3),
        "by_sample_cpu_s": round(sample_s, 1), "ratio_by_sample": round(sample_s / cpu_s, 1),
        "loop_share_of_day": 1.0, "ticks": ticks, "rounds": [round(r[0], 3) for r in rounds],
        "raised": dict(sorted(raised.items())), "loop_raised": dict(sorted(loop_raised.items())),
    }))  # fmt: skip


if __name__ == "__main__":
    main()
