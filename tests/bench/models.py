"""Cost of fitting models: `python -m tests.bench.models`; one JSON object.

A machine of 40 signals, 30 days of minute frames, fitted in a child process on one core; then a day
of frames through the check's detector; and the heat of one bearing. Limits: 20 s, 400 MB, 0.5 s;
seconds are of the processor, so that a busy machine does not fail them (wall time is told beside).
"""

import json
import multiprocessing
import os
import sys
import time
from pathlib import Path

import numpy as np

from condmon.engine import thermal_fit
from condmon.engine.frames import features
from condmon.engine.oddmodel import read_model
from condmon.engine.oddness import Detector
from condmon.engine.settings import Machine
from condmon.memory import peak_mb
from tests.engine.builders import signal
from tests.engine.heat import history

DAYS, SIGNALS = 30, 40
ROLES = (
    ("power", 1), ("spindle_speed", 1), ("spindle_load", 1), ("bearing_temperature", 4),
    ("coolant_supply_temperature", 1), ("room_temperature", 1), ("compressor_running", 1),
    ("air_pressure", 2), ("air_flow", 2), ("hydraulic_pressure", 2), ("way_oil_level", 1),
    ("coolant_level", 1), ("pump_running", 1), ("door_closed", 1), ("axis_position", 5),
    ("axis_load", 5), ("axis_following_error", 5), ("vibration_velocity", 5),
)  # fmt: skip


def machine():
    """One machining centre with 40 signals."""
    roles = [role for role, many in ROLES for _ in range(many)]
    assert len(roles) == SIGNALS
    return Machine(
        "mill-1", "Mill", tuple(signal(i, "mill-1", f"s{i}", role) for i, role in enumerate(roles))
    )


def frames(days, seed):
    """Minutes, duties (a third each off, turning, idle) and correlated rows."""
    rng = np.random.default_rng(seed)
    n, p = days * 1440, len(features(machine()))
    hidden = rng.normal(size=(n, 6))
    rows = np.einsum("nh,hp->np", hidden, rng.normal(size=(6, p))) + rng.normal(size=(n, p))
    return np.arange(n, dtype=np.int64), np.arange(n, dtype=np.int64) // 160 % 3, rows


def child(pipe):
    """Fit, and tell seconds, peak memory and the content."""
    from condmon.learning.odd import Table, fit

    minute, duty, rows = frames(DAYS, 3)
    made = Table(minute, duty, rows, np.zeros(len(minute), bool))
    before = peak_mb()
    began, used = time.perf_counter(), time.process_time()
    model = fit(machine(), made, alerts_a_week=1.0, days_min=7)
    wall, seconds = time.perf_counter() - began, time.process_time() - used
    pipe.send((wall, seconds, before, peak_mb(), model.content()))


def resident_mb():
    """Resident size now."""
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def main():
    """Measure and print."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[name] = "1"
    spawn = multiprocessing.get_context("spawn")
    here, there = spawn.Pipe()
    process = spawn.Process(target=child, args=(there,))
    process.start()
    there.close()
    wall_s, fit_s, before_mb, peak, content = here.recv()
    process.join()
    bare = resident_mb()
    model = read_model(content)
    _, duty, rows = frames(1, 5)
    detectors = [Detector(d.usual, watcher=d.watcher, threshold=d.threshold)
                 for d in model.duties.values()]  # fmt: skip
    began = time.process_time()
    for i, row in enumerate(rows):
        detectors[duty[i]].push(row[None, :])
    day_s = time.process_time() - began
    resident = resident_mb() - bare
    bearing = history(DAYS, 1, gaps=2)
    began = time.process_time()
    thermal_fit.fit(bearing)
    heat_s = time.process_time() - began
    print(json.dumps({
        "bearing_fit_s": round(heat_s, 2),
        "signals": SIGNALS, "features": rows.shape[1], "days": DAYS, "duties": len(model.duties),
        "fit_s": round(fit_s, 2), "fit_wall_s": round(wall_s, 2), "fit_peak_mb": round(peak),
        "fit_before_mb": round(before_mb),
        "model_kb": round(len(content) / 1024), "score_day_s": round(day_s, 3),
        "model_resident_mb": round(resident, 1),
        "within_limits": fit_s <= 20 and peak <= 400 and day_s <= 0.5,
    }))  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
