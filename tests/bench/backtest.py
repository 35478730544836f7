"""Many machine-days on one process and on two: `python -m tests.bench.backtest [--days 200]`; JSON.

A day is the replay bench's with one value of each signal every ten seconds (345,600 samples), so
that reading and judging weigh as they do in life. `ratio` is the time on one process over the time
on two, their start included; it says something only while two cores are free (`load`). On a busy
machine look at `ratio_cpu`: twice the processor time of the one over that of the two together,
which is the ratio where both are kept busy. `same` says whether both gave the same.
"""

import argparse
import json
import os
import resource
import tempfile
import time
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from condmon.config import load
from condmon.replaying import processes
from condmon.replaying.days import Under
from tests.bench.day import DAY_S, SIGNALS, configuration, make_day


def children_s():
    """Processor seconds of all processes that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", nargs="?", type=Path, help="where the day is kept")
    parser.add_argument("--days", type=int, default=200)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = args.folder or Path(temporary)
        day, config = folder / "day-1.parquet", configuration(folder)
        if not day.exists():
            make_day(day)
        thin = Path(temporary) / "thin.parquet"
        table = pq.read_table(day)
        rows = [
            r for s in range(0, DAY_S, 10) for r in range(s * len(SIGNALS), (s + 1) * len(SIGNALS))
        ]
        pq.write_table(table.take(pa.array(rows)), thin, compression="zstd")
        under = Under((load(config).settings,), 65_536)
        load_1 = os.getloadavg()[0]
        found, took, cpu = {}, {}, {}
        for workers in (2, 1):
            began, used = time.perf_counter(), children_s()
            days = dict(processes.each([thin] * args.days, under, workers))
            took[workers], cpu[workers] = time.perf_counter() - began, children_s() - used
            found[workers] = [days[place] for place in range(args.days)]
    assert not any(day.why for day in found[1]), found[1][0].why
    print(json.dumps({
        "bench": "backtest", "days": args.days, "one_s": round(took[1], 2),
        "two_s": round(took[2], 2), "ratio": round(took[1] / took[2], 2),
        "one_cpu_s": round(cpu[1], 2), "two_cpu_s": round(cpu[2], 2),
        "ratio_cpu": round(2 * cpu[1] / cpu[2], 2),
        "same": found[1] == found[2], "load": round(load_1, 1), "cores": processes.cores(),
    }))  # fmt: skip


if __name__ == "__main__":
    main()
