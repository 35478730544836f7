"""Sealed days: bytes a sample, and writing and reading beside plain Parquet; two JSON lines.

`python -m tests.bench.cold [--hours 24]`: the demo plant lives for so long, its messages go through
the decoder into the recorder's own file, which is sealed (`demo`); and the replay bench's day of 40
signals at 1 Hz is written as one sealed file (`1 Hz`). `plain` is the same columns (time, machine,
signal, value, quality) written by pyarrow with its defaults, and read back whole. `by_column` says
where the bytes go, `footer` what the list of columns takes; `seal_peak_mb` is the resident memory
of the process that seals.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from condmon import capture
from condmon.config import load
from condmon.engine.records import SECOND_US, Samples
from condmon.history.sheets import Sheet, write
from condmon.history.store import states_of
from condmon.plant import configuration, load_recipe
from condmon.plant.__main__ import lines
from condmon.store.recorder import Recorder
from tests.bench.day import AT_US, DAY_S, columns

HEALTHY = Path(__file__).resolve().parents[2] / "replay/recipes/healthy-day.toml"
SEAL = """
import json, sys, time
from pathlib import Path
from condmon.history.seal import seal
from condmon.memory import peak_mb
states = frozenset(map(tuple, json.loads(sys.argv[2])))
began = time.process_time()
list(seal(Path(sys.argv[1]), states))
print(json.dumps([time.process_time() - began, peak_mb()]))
"""


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=float, default=24.0)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        demo(Path(name), args.hours)
    with tempfile.TemporaryDirectory() as name:
        each_second(Path(name))


def demo(folder, hours):
    """The demo plant, recorded and sealed."""
    recording, config = plant_day(folder, hours)
    settings = load(config).settings
    record(folder / "store", recording, settings)
    states = json.dumps(sorted(states_of(settings.signals)))
    words = [sys.executable, "-c", SEAL, str(folder / "store"), states]
    seal_s, peak_mb = json.loads(subprocess.run(words, check=True, capture_output=True).stdout)
    history = folder / "store/history"
    told = measured(folder, sorted((history / "samples").rglob("*.parquet")))
    short = sum(path.stat().st_size for kind in ("minutes", "hours")
                for path in (history / kind).rglob("*.parquet"))  # fmt: skip
    print(json.dumps({"bench": "cold", "day": "demo", "hours": hours, **told,
                      "minutes_and_hours_bytes": short, "seal_cpu_s": round(seal_s, 3),
                      "seal_peak_mb": peak_mb}))  # fmt: skip


def each_second(folder):
    """40 signals at 1 Hz."""
    at_us = AT_US + np.arange(DAY_S) * SECOND_US
    none = np.zeros(DAY_S, np.uint8)
    signals = [(name, {"time": at_us, "value": value, "quality": none})
               for name, value in columns().items()]  # fmt: skip
    began = time.process_time()
    write(folder / "day.parquet", "mill-1", signals)
    wrote_s = time.process_time() - began
    told = measured(folder, [folder / "day.parquet"])
    print(json.dumps({"bench": "cold", "day": "1 Hz", **told, "write_cpu_s": round(wrote_s, 3)}))


def measured(folder, sheets):
    """Size by column and the time to read, beside the same as plain Parquet."""
    began = time.process_time()
    tables = [(sheet.machine, name, sheet.read(name)) for sheet in map(Sheet, sheets)
              for name in sheet.signals]  # fmt: skip
    read_s = time.process_time() - began
    rows = sum(len(table["time"]) for _, _, table in tables)
    size = sum(path.stat().st_size for path in sheets)
    plain_s, plain_read_s, plain_bytes = plain(folder, tables)
    return {
        "samples": rows, "bytes": size, "bytes_a_sample": round(size / rows, 3),
        "plain_bytes_a_sample": round(plain_bytes / rows, 3), "by_column": by_column(sheets),
        "read_cpu_s": round(read_s, 3), "plain_write_cpu_s": round(plain_s, 3),
        "plain_read_cpu_s": round(plain_read_s, 3),
    }  # fmt: skip


def by_column(sheets):
    """Bytes of each column, and of what is no column."""
    took = Counter()
    for path in sheets:
        told = pq.ParquetFile(path).metadata
        for group in map(told.row_group, range(told.num_row_groups)):
            for column in map(group.column, range(told.num_columns)):
                took[column.path_in_schema] += column.total_compressed_size
        took["footer"] += path.stat().st_size
    took["footer"] -= sum(count for name, count in took.items() if name != "footer")
    return dict(took)


def plant_day(folder, hours):
    """A recording of the healthy shop, and its configuration."""
    recipe = replace(load_recipe(HEALTHY), length_us=round(hours * 3600e6))
    path = folder / "day.jsonl"
    path.write_bytes(b"".join(lines(recipe)))
    config = folder / "condmon.toml"
    config.write_text(configuration("127.0.0.1", 1883, folder / "store"), encoding="utf-8")
    return path, config


def record(store, path, settings):
    """Put a recording into the recorder's file of its day; samples."""
    now_us = [0]
    recorder = Recorder(store, settings.signals, lambda: now_us[0])
    rows = 0
    for batch in capture.read([path], settings, capture.Notes()):
        now_us[0] = now_us[0] or next(int(r.arrived_us[0]) for r in batch if isinstance(r, Samples))
        recorder.append(batch)
        rows += sum(len(r) for r in batch if isinstance(r, Samples))
    now_us[0] += 2 * 86_400_000_000
    recorder.append([])
    recorder.close()
    return rows


def plain(folder, tables):
    """Processor seconds to write and read the same columns with pyarrow's defaults, and bytes."""
    table = pa.concat_tables([
        pa.table({
            "time": pa.array(columns["time"], pa.timestamp("us", "UTC")),
            "machine": pa.array([machine] * len(columns["time"])).dictionary_encode(),
            "signal": pa.array([signal] * len(columns["time"])).dictionary_encode(),
            "value": columns["value"], "quality": columns["quality"],
        })
        for machine, signal, columns in tables
    ])  # fmt: skip
    path = folder / "plain.parquet"
    began = time.process_time()
    pq.write_table(table, path)
    wrote_s = time.process_time() - began
    began = time.process_time()
    pq.read_table(path)
    return wrote_s, time.process_time() - began, path.stat().st_size


if __name__ == "__main__":
    main()
