"""Cost against length and against machines: `python -m tests.bench.scale [--days 30]`; JSON.

One day of 40 signals (the replay bench's) is put through one engine, with all shipped checks and
both fitted models, again and again, each time a day later. `linear` is processor time of the whole
over that of as many single days: a fresh engine has one day every 30 days in between, so that both
are measured under the same load. A first day has nothing to compare with yet, so that it is
cheaper than one that has: `growth` is the last quarter of the days over days 15 to 44, which have
learned. Resident memory is told after ten days, in the middle and at the
end. Then an hour of 1, 10 and 100 machines of 40 signals each, `--rounds` times in turns:
`a_machine` is processor time a machine over that of one alone.
"""

import argparse
import json
import os
import statistics
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from condmon import capture
from condmon.engine.engine import Engine
from condmon.engine.records import SECOND_US, Beacon, Samples
from tests.bench.day import DAY_S, SIGNALS, ready

DAY_US = DAY_S * SECOND_US


def later(record, shift_us):
    """The same record, so much later."""
    if isinstance(record, Samples):
        return replace(record, arrived_us=record.arrived_us + shift_us)
    return replace(record, at_us=record.at_us + shift_us)


def resident_mb():
    """Resident size now."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def length(batches, settings, models, days):
    """Processor seconds of each day and of single days, resident megabytes after each day."""
    engine = Engine(settings)
    engine.push(models)
    took, alone, held = [], [], []
    for day in range(days):
        if day % 30 == 0:
            single = Engine(settings)
            single.push(models)
            alone.append(one_day(single, batches, day))
            print(f"day {day}: {alone[-1]:.2f} s alone, {resident_mb():.0f} MB", file=sys.stderr)
        took.append(one_day(engine, batches, day))
        held.append(resident_mb())
    return took, alone, held, len(engine.snapshot())


def growth(took):
    """Processor time of the last days over that of the first learned ones; None if too short."""
    if len(took) < 90:
        return None
    first, last = took[15:45], took[-len(took) // 4 :]
    return round(statistics.median(last) / statistics.median(first), 3)


def one_day(engine, batches, day):
    """Processor seconds."""
    began = time.process_time()
    for batch in batches:
        engine.push([later(record, day * DAY_US) for record in batch])
    return time.process_time() - began


def machines(batches, settings, count):
    """Processor seconds a machine for an hour of so many machines."""
    [one] = settings.machines
    made = tuple(
        replace(one, id=f"m{m}", signals=tuple(
            replace(s, index=m * len(SIGNALS) + s.index, machine=f"m{m}") for s in one.signals
        ))
        for m in range(count)
    )  # fmt: skip
    engine = Engine(replace(settings, machines=made))
    run = batches[8][0]
    parts = [run.cut(a, a + 60 * len(SIGNALS)) for a in range(0, len(run), 60 * len(SIGNALS))]
    began = time.process_time()
    for part in parts:  # a minute of all machines at a time
        rows = [np.concatenate([column] * count) for column in (
            part.arrived_us, part.own_us, part.value, part.quality, part.mark, part.reason
        )]  # fmt: skip
        signal = np.concatenate([part.signal + m * len(SIGNALS) for m in range(count)])
        whole = Samples(signal.astype(np.int32), *rows)
        engine.push([whole, Beacon(int(part.arrived_us[-1]))])
    return (time.process_time() - began) / count


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", nargs="?", type=Path, help="where the day is kept")
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--rounds", type=int, default=3, help="of the hours of many machines")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        day, settings, models = ready(args.folder or Path(temporary))
        batches = list(capture.read([day], settings, capture.Notes()))
    took, alone, held, snapshot = length(batches, settings, models, args.days)
    rounds = [{n: machines(batches, settings, n) for n in (1, 10, 100)} for _ in range(args.rounds)]
    a_machine = {n: statistics.median(r[n] for r in rounds) for n in (1, 10, 100)}
    a_day = sum(alone) / len(alone)
    print(json.dumps({
        "bench": "scale", "days": args.days, "cpu_s": round(sum(took), 2),
        "cpu_s_a_day": round(sum(took) / args.days, 3), "cpu_s_single_day": round(a_day, 3),
        "linear": round(sum(took) / args.days / a_day, 3), "growth": growth(took),
        "resident_mb": [round(held[d]) for d in (min(9, args.days - 1), args.days // 2, -1)],
        "snapshot_kb": round(snapshot / 1024),
        "machine_hour_cpu_s": {n: round(s, 4) for n, s in a_machine.items()},
        "a_machine": {n: round(s / a_machine[1], 3) for n, s in a_machine.items()},
    }))  # fmt: skip


if __name__ == "__main__":
    main()
