"""A day of 40 signals once a second through the real reader and engine, against a plain loop.

Replays the day (`day.py`) from Parquet through all shipped checks and both fitted models, then two
yardsticks. `plain/` is the same judgement as one would write it first, a sample at a time: `ratio`
is its processor time over the replay's, `agree` how many of the alerts of either were raised by
both within a second (`apart` names the others). `by_sample` is the same engine given one sample at
a time and a beacon each second, for a part of the day, scaled to a day (`ratio_by_sample`).
`seconds` is wall time with the file read on the second core; `cpu_s` is processor time of the whole
process, which a busy machine stretches less. Reading the file is part of all.

    python -m tests.bench.replay [FOLDER] [--rounds 5] [--no-models] [--profile]
"""

import argparse
import gc
import json
import statistics
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from condmon import capture
from condmon.capture.ahead import ahead
from condmon.commands.replay import replay
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert
from condmon.engine.records import SECOND_US, Batch, Beacon, Samples
from condmon.engine.settings import Settings
from tests.bench.day import AT_US, DAY_S, SIGNALS, ready
from tests.bench.plain.loop import PlainLoop

Raised = list[tuple[int, str, int | None]]
"""Second, check, second of the end of each alert."""


def by_engine(path: Path, settings: Settings, models: Batch) -> tuple[float, Raised, int]:
    """Seconds, alerts and ticks of one replay."""
    gc.collect()
    began = time.perf_counter()
    notes = capture.Notes()
    engine = Engine(settings)
    engine.push(models)
    said = replay(ahead(capture.read([path], settings, notes)), engine)
    took = time.perf_counter() - began
    assert not notes.warnings, notes.warnings
    alerts = {output.id: output for output in said if isinstance(output, Alert)}
    raised = [
        (a.raised_us // SECOND_US, a.check, a.ended_us and a.ended_us // SECOND_US)
        for a in alerts.values()
    ]
    return took, raised, engine.ticks_done


def by_sample(path: Path, settings: Settings, models: Batch, length_s: int) -> float:
    """Seconds a day of the same engine given a sample at a time, from a part at midday."""
    engine = Engine(settings)
    engine.push(models)
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


def by_loop(path: Path, settings: Settings, models: Batch) -> tuple[float, Raised]:
    """Seconds and alerts of the plain loop."""
    machine = settings.machines[0]
    place = {signal.name: i for i, signal in enumerate(machine.signals)}
    gc.collect()
    began = time.process_time()
    table = pq.read_table(path)
    times = table.column("time").cast(pa.int64()).to_pylist()
    signals = [place[name] for name in table.column("signal").to_pylist()]
    values = table.column("value").to_pylist()
    loop = PlainLoop(machine, settings.unattended, settings.calendar.minute_of_week, models)
    raised = loop.run(times, signals, values)
    return time.process_time() - began, [tuple(row) for row in raised]


def compared(one: Raised, other: Raised) -> tuple[int, list[str]]:
    """How many alerts of the two agree within a second, begin and end; the others in words."""
    left, agree = list(other), 0
    apart = []
    for at, check, end in sorted(one):
        near = [
            row for row in left
            if row[1] == check and abs(row[0] - at) <= 1 and abs((row[2] or 0) - (end or 0)) <= 1
        ]  # fmt: skip
        if near:
            left.remove(near[0])
            agree += 1
        else:
            apart.append(f"replay: {check} {at % DAY_S}-{end and end % DAY_S}")
    return agree, apart + [f"loop: {c} {a % DAY_S}-{e and e % DAY_S}" for a, c, e in left]


def main() -> None:
    """Measure and print one JSON line."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("folder", nargs="?", type=Path, help="where the day is kept")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--by-sample-s", type=int, default=60, help="how much of the day")
    parser.add_argument("--no-models", action="store_true", help="the replay alone, no yardstick")
    parser.add_argument("--profile", action="store_true", help="where the replay's time goes")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        day, settings, models = ready(args.folder or Path(temporary))
        if args.profile:
            import cProfile

            cProfile.runctx("by_engine(day, settings, models)", globals(), locals(), sort="tottime")
            return
        with_models = [] if args.no_models else models
        by_engine(day, settings, with_models)  # libraries load
        cpu_s = time.process_time()
        rounds = [by_engine(day, settings, with_models) for _ in range(args.rounds)]
        cpu_s = (time.process_time() - cpu_s) / args.rounds
        told: dict[str, object] = figures(rounds, cpu_s)
        if not args.no_models:
            told |= yardsticks(day, settings, models, rounds[0][1], cpu_s, args.by_sample_s)
    print(json.dumps(told))


def figures(rounds: list[tuple[float, Raised, int]], cpu_s: float) -> dict[str, object]:
    """The replay by itself."""
    seconds = statistics.median(took for took, _, _ in rounds)
    _, raised, ticks = rounds[0]
    samples = DAY_S * len(SIGNALS)
    return {
        "bench": "replay", "seconds": round(seconds, 3), "cpu_s": round(cpu_s, 3),
        "rounds": [round(took, 3) for took, _, _ in rounds], "samples": samples,
        "samples_per_s": round(samples / seconds), "ticks": ticks,
        "raised": dict(sorted(Counter(check for _, check, _ in raised).items())),
    }  # fmt: skip


def yardsticks(
    day: Path, settings: Settings, models: Batch, raised: Raised, cpu_s: float, part_s: int
) -> dict[str, object]:
    """The plain loop, and the engine by sample, against the replay."""
    loop_s, loop_raised = by_loop(day, settings, models)
    agree, apart = compared(raised, loop_raised)
    sample_s = by_sample(day, settings, models, part_s)
    return {
        "loop_cpu_s": round(loop_s, 2), "ratio": round(loop_s / cpu_s, 1),
        "agree": agree, "apart": apart, "by_sample_cpu_s": round(sample_s, 1),
        "ratio_by_sample": round(sample_s / cpu_s, 1),
    }  # fmt: skip


if __name__ == "__main__":
    main()
