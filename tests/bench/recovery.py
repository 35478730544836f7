"""How soon a killed daemon watches again: `python -m tests.bench.recovery [--hours 24]`; JSON.

A data folder with so many hours of 40 signals at 1 Hz, the last snapshot ten minutes old, as a
kill leaves it at worst. `ready_s` is from the call to the moment at which the engine stands where
it stood (snapshot restored, the rest pushed) and the connection is begun; `process_s` also counts
the start of Python and the imports. The yardstick, `from_nothing_s`, is the same without snapshot
and with all the recordings.
"""

import argparse
import json
import logging
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from condmon import capture, log
from condmon.clock import Clock
from condmon.config import load
from condmon.daemon.service import Service
from condmon.engine.engine import Engine
from condmon.engine.records import SECOND_US, Beacon
from condmon.store.journal import Journal
from condmon.store.recorder import Recorder
from tests.bench.day import AT_US, DAY_S, SIGNALS, configuration, make_day

SNAPSHOT_EVERY_S = 600
A_BATCH_S = 10  # of older hours; the last ten minutes are a batch a second, as live


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", nargs="?", type=Path, help="where the day is kept")
    parser.add_argument("--hours", type=float, default=24.0)
    args = parser.parse_args()
    log.set_up(sys.stderr.buffer, logging.ERROR)
    with tempfile.TemporaryDirectory() as temporary:
        folder = args.folder or Path(temporary)
        day, path = folder / "day-1.parquet", configuration(folder)
        if not day.exists():
            make_day(day)
        config = load(path)
        config = replace(config, store=replace(config.store, path=Path(temporary) / "store"))
        end_us = fill(config, day, round(args.hours * 3600))
        ready_s = start(config, end_us)
        began = time.perf_counter()
        subprocess.run([sys.executable, "-c", "import condmon.daemon.service"], check=True)
        import_s = time.perf_counter() - began
        (config.store.path / "journal.db").unlink()
        from_nothing_s = start(config, end_us)
    print(json.dumps({
        "bench": "recovery", "hours": args.hours, "signals": len(SIGNALS),
        "ready_s": round(ready_s, 3), "process_s": round(ready_s + import_s, 3),
        "from_nothing_s": round(from_nothing_s, 3), "ratio": round(from_nothing_s / ready_s, 1),
    }))  # fmt: skip


def fill(config, day, seconds):
    """Record the last so many seconds of the day, with a snapshot; its end."""
    settings = config.settings
    end_us = AT_US + DAY_S * SECOND_US
    from_us, snapshot_us = end_us - seconds * SECOND_US, end_us - SNAPSHOT_EVERY_S * SECOND_US
    recorder = Recorder(config.store.path, settings.signals, lambda: end_us - SECOND_US)
    journal, engine = Journal(config.store.path), Engine(settings)
    recorder._ready().db.execute("PRAGMA synchronous = OFF")  # filling only
    kept = False
    for batch in capture.read([day], settings, capture.Notes()):
        run = batch[0]
        at_us = int(run.arrived_us[0]) // SECOND_US * SECOND_US
        while at_us <= int(run.arrived_us[-1]):
            step_us = (A_BATCH_S if at_us < snapshot_us else 1) * SECOND_US
            a, b = run.arrived_us.searchsorted([at_us, at_us + step_us]).tolist()
            at_us += step_us
            if at_us <= from_us or a == b:
                continue
            records = [run.cut(a, b), Beacon(at_us)]
            offset = recorder.append(records)
            if at_us <= snapshot_us:
                journal.write(engine.push(records), offset, [], at_us)
            elif not kept:
                kept = True
                journal.keep_snapshot(engine.snapshot(), offset - 1)
    recorder.close()
    journal.close()
    return end_us


def start(config, end_us):
    """Seconds until the service stands where it stood."""
    service = Service(config, Clock(start_us=end_us))
    began = time.perf_counter()
    service.start()
    took = time.perf_counter() - began
    assert service.standing.now_us >= end_us - 2 * SECOND_US
    service.stop()
    return took


if __name__ == "__main__":
    main()
