"""A past for charts: recordings written by the real recorder, a batch a second or coarser."""

from pathlib import Path

import numpy as np

from condmon.clock import Clock
from condmon.config import load
from condmon.engine import records as rec
from condmon.engine.records import SECOND_US, Beacon, Samples
from condmon.store.recorder import Recorder
from tests.web.house import NOWHERE, TEXT


def fill_past(folder: Path, hours: float, step_s: int = 10, batch_s: int = 60) -> None:
    """Record the last hours of mill-1 into the store of a house yet to be started."""
    path = folder / "past.toml"
    path.write_text(TEXT.format(broker=NOWHERE, port=8470, web="", more=""), encoding="utf-8")
    config = load(path)
    signals = config.settings.signals
    index = {s.name: s.index for s in signals if s.machine == "mill-1"}
    now_us = Clock().now_us()
    at = now_us - round(hours * 3600) * SECOND_US
    recorder = Recorder(folder / "store", signals, lambda: at)
    chance = np.random.default_rng(7)
    columns = np.array([index[n] for n in COURSES], np.int32)
    seconds = np.arange(0, round(hours * 3600), step_s)
    turning = (seconds // 5400) % 3 > 0
    speed = np.where(turning, 8000.0, 0.0)
    heat = _lagged(np.where(turning, 16.0, 0.0), step_s / 900)
    room = 21 + 2 * np.sin(seconds / 13000)
    rows = np.column_stack([
        np.ones(len(seconds)), speed, room + heat + chance.normal(0, 0.15, len(seconds)),
        room + heat * 0.8 + chance.normal(0, 0.15, len(seconds)),
        20 + 0.4 * np.sin(seconds / 300) + chance.normal(0, 0.05, len(seconds)),
        np.ones(len(seconds)),
    ])  # fmt: skip
    per = max(1, batch_s // step_s)
    for start in range(0, len(seconds), per):
        part = slice(start, start + per)
        n = len(seconds[part])
        when = now_us - round(hours * 3600) * SECOND_US + seconds[part].astype(np.int64) * SECOND_US
        at = int(when[-1])
        k = len(columns)
        recorder.append([
            Samples(np.tile(columns, n), np.repeat(when, k), np.full(n * k, rec.NO_TIME, np.int64),
                    rows[part].ravel(), np.zeros(n * k, np.uint8), np.zeros(n * k, np.uint16),
                    np.zeros(n * k, np.uint8)),
            Beacon(at),
        ])  # fmt: skip
    recorder.close()


COURSES = (
    "power", "spindle_speed", "bearing_upper", "bearing_lower", "coolant", "door_closed",
)  # fmt: skip


def _lagged(wanted: np.ndarray, share: float) -> np.ndarray:
    out, now = np.empty_like(wanted), 0.0
    for i, goal in enumerate(wanted):
        now += (goal - now) * share
        out[i] = now
    return out
