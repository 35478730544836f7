"""A data folder that has lived through some hours, for tests of the log and its report."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from condmon.config import load
from condmon.engine import records as rec
from condmon.engine.engine import Engine
from condmon.engine.records import SECOND_US, Beacon, Record, Samples, Started
from condmon.store.journal import Journal
from condmon.store.recorder import Recorder
from tests.web.house import NOWHERE, TEXT

START_US = 1_795_582_800_000_000  # 2026-11-25 05:00:00 UTC
MINUTE_US = 60 * SECOND_US
STEP_S = 10


class Lived:
    """A folder with a configuration, recordings and a journal, as the daemon leaves it.

    What comes goes through recorder, engine and journal as the daemon's turn does it.
    """

    def __init__(self, folder: Path, more: str = "", web: str = "") -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.config_path = folder / "condmon.toml"
        self.config_path.write_text(
            TEXT.format(broker=NOWHERE, port=8470, web=web, more=more), encoding="utf-8"
        )
        self.config = load(self.config_path)
        self.folder = self.config.store.path
        self.now_us = START_US
        self.names: list[str] = []  # of photos
        self.engine = Engine(self.config.settings)
        self.journal = Journal(self.folder)
        self.recorder = Recorder(self.folder, self.config.settings.signals, lambda: self.now_us)
        self.take([Started(START_US, "0.1.0", self.config.settings.digest), Beacon(START_US)])

    def minutes(self, count: int, machine: str = "mill-1", **values: float) -> None:
        """So many minutes of a machine, each signal at one value with a little noise of its own."""
        for _ in range(0, count, 10):
            seconds = min(count, 10) * 60
            self.take(
                [self._run(machine, seconds, values), Beacon(self.now_us + seconds * SECOND_US)]
            )

    def _run(self, machine: str, seconds: int, values: Mapping[str, float]) -> Samples:
        signals = {s.name: s for s in self.config.settings.signals if s.machine == machine}
        at_us = self.now_us + np.arange(0, seconds, STEP_S, dtype=np.int64) * SECOND_US
        n, k = len(at_us), len(values)
        wave = np.sin(at_us / (97.0 * SECOND_US)) * 0.4
        columns = [
            np.full(n, value) + (wave if signals[name].kind == "measure" else 0.0)
            for name, value in values.items()
        ]
        index = np.array([signals[name].index for name in values], np.int32)
        return Samples(
            np.tile(index, n), np.repeat(at_us, k), np.full(n * k, rec.NO_TIME, np.int64),
            np.column_stack(columns).ravel(), np.zeros(n * k, np.uint8),
            np.zeros(n * k, np.uint16), np.zeros(n * k, np.uint8),
        )  # fmt: skip

    def day(self) -> None:
        """Four hours in which the upper bearing runs hot for a while, with two machines."""
        good = {"power": 1, "spindle_speed": 8000, "bearing_upper": 34, "bearing_lower": 33,
                "coolant": 20, "door_closed": 1}  # fmt: skip
        self.minutes(90, **good)
        self.minutes(20, **{**good, "bearing_upper": 52})
        self.minutes(60, **good)
        self.minutes(30, **{**good, "spindle_speed": 0, "bearing_upper": 24})
        self.minutes(40, power=0)

    def take(self, records: list[Record]) -> None:
        """One batch."""
        beacons = [record.at_us for record in records if isinstance(record, Beacon)]
        self.now_us = max([self.now_us, *beacons])
        offset = self.recorder.append(records)
        self.journal.write(self.engine.push(records), offset, (), self.now_us)

    def say(self, *records: Record) -> None:
        """Something at the present instant, followed by a second of time."""
        self.take([*records, Beacon(self.now_us + SECOND_US)])

    def close(self) -> None:
        """Keep a snapshot and leave, as at the daemon's stop."""
        self.journal.keep_snapshot(self.engine.snapshot(), self.recorder.last_offset())
        self.journal.close()
        self.recorder.close()
