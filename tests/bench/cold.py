"""Sealed days: bytes a sample, and writing and reading beside plain Parquet; prints one JSON line.

`python -m tests.bench.cold [--hours 24]`: the demo plant lives for so long, its messages go through
the decoder into the recorder's own file, which is sealed. `plain` is the same columns (time,
machine, signal, value, quality) written by pyarrow with its defaults, and read back whole.
"""

import argparse
import json
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from condmon import capture
from condmon.config import load
from condmon.engine.records import Samples
from condmon.history.seal import seal
from condmon.history.sheets import Sheet
from condmon.history.store import states_of
from condmon.plant import configuration, load_recipe
from condmon.plant.__main__ import lines
from condmon.store.recorder import Recorder

HEALTHY = Path(__file__).resolve().parents[2] / "replay/recipes/healthy-day.toml"


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=float, default=24.0)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        recording, config = plant_day(folder, args.hours)
        settings = load(config).settings
        rows = record(folder / "store", recording, settings)
        began = time.process_time()
        list(seal(folder / "store", states_of(settings.signals)))
        seal_s = time.process_time() - began
        sheets = sorted((folder / "store/history/samples").rglob("*.parquet"))
        began = time.process_time()
        for path in sheets:
            with Sheet(path) as sheet:
                for signal in sheet.signals:
                    sheet.read(signal)
        read_s = time.process_time() - began
        plain_s, plain_read_s, plain_bytes = plain(folder, sheets)
        size = sum(path.stat().st_size for path in sheets)
    print(json.dumps({
        "bench": "cold", "hours": args.hours, "samples": rows, "bytes": size,
        "bytes_a_sample": round(size / rows, 3),
        "plain_bytes_a_sample": round(plain_bytes / rows, 3),
        "seal_cpu_s": round(seal_s, 3), "read_cpu_s": round(read_s, 3),
        "plain_write_cpu_s": round(plain_s, 3), "plain_read_cpu_s": round(plain_read_s, 3),
    }))  # fmt: skip


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


def plain(folder, sheets):
    """Processor seconds to write and read the same columns with pyarrow's defaults, and bytes."""
    table = pa.concat_tables([pq.read_table(path) for path in sheets])
    path = folder / "plain.parquet"
    began = time.process_time()
    pq.write_table(table, path)
    wrote_s = time.process_time() - began
    began = time.process_time()
    pq.read_table(path)
    return wrote_s, time.process_time() - began, path.stat().st_size


if __name__ == "__main__":
    main()
