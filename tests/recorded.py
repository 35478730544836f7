"""Recorded days in a folder, written by the recorder itself, for tests of what reads them."""

import shutil
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from condmon.engine import records as rec
from condmon.engine.records import NO_TIME, SECOND_US, Beacon, Record, Samples
from condmon.engine.settings import Signal
from condmon.store.journal import Journal
from condmon.store.recorder import Recorder
from tests.fakes import FakeClock

DAY_US = 86_400 * SECOND_US
MONDAY_US = 1_763_942_400 * SECOND_US  # 2025-11-24T00:00:00Z
SIGNALS = (
    Signal(0, "mill-1", "temp", "a/temp", "measure", unit="Cel"),
    Signal(1, "mill-1", "power", "a/power", "state"),
    Signal(2, "mill-2", "temp", "b/temp", "measure", unit="Cel"),
)
STATES = frozenset({("mill-1", "power")})
MONDAY, TUESDAY, WEDNESDAY = "2025-11-24", "2025-11-25", "2025-11-26"


class Folder:
    """A data folder in which days are recorded one after another.

    `batch_s` joins so much of a day into a batch, where it does not matter: each costs a commit.
    """

    def __init__(self, folder: Path, start_us: int = MONDAY_US, batch_s: int = 1) -> None:
        self.path, self._batch_s = folder, batch_s
        self.clock = FakeClock(start_us)
        self.recorder = Recorder(folder, SIGNALS, self.clock.now_us)

    def closed(self) -> "Folder":
        """Itself, with nothing open, so that it may be copied."""
        self.recorder.close()
        return self

    def copied(self, folder: Path) -> "Folder":
        """Another of the same content at the same time; this one must be closed."""
        shutil.copytree(self.path, folder)
        return Folder(folder, self.clock.now_us())

    def take(self, at_us: int, *records: Record) -> int:
        """Record a batch as it comes in at an instant."""
        self.clock.pass_s((at_us - self.clock.now_us()) / SECOND_US)
        return self.recorder.append([*records, Beacon(at_us)])

    def day(self, start_us: int, every_s: int = 600) -> None:
        """A day of all signals, a sample of each every so often, recorded a batch at a time."""
        rows: list[tuple[int, int, int, float, int, int, int]] = []
        for n, at_s in enumerate(range(0, 86_400, every_s)):
            at_us = start_us + at_s * SECOND_US
            rows += [(0, at_us, NO_TIME, 20 + n / 10, 0, 0, 0),
                     (1, at_us + 7, NO_TIME, float(n % 2), 0, 0, 0),
                     (2, at_us + 9, at_us + 3, 30 - n / 10, 0, 0, 0)]  # fmt: skip
            if (at_s + every_s) % self._batch_s < every_s:
                self.take(at_us + 10, rec.samples(rows))
                rows = []

    def begin_day(self, start_us: int) -> None:
        """One beacon of the next day: the one before is finished."""
        self.take(start_us + SECOND_US)

    def snapshot(self) -> None:
        """A snapshot of everything so far, as the daemon keeps it; the contents do not matter."""
        journal = Journal(self.path)
        for blob in (b"one", b"two"):
            journal.keep_snapshot(blob, self.recorder.last_offset())
        journal.close()


def one(signal: int, arrived_us: int, value: float, own_us: int = NO_TIME, mark: int = 0,
        quality: int = 0) -> Samples:  # fmt: skip
    return rec.samples([(signal, arrived_us, own_us, value, quality, mark, 0)])


def seconds(at_us: Iterable[int], start_us: int = MONDAY_US) -> list[float]:
    return [(int(at) - start_us) / SECOND_US for at in at_us]


def same(one: tuple, other: tuple) -> bool:
    return len(one) == len(other) and all(
        np.array_equal(a, b, equal_nan=np.asarray(a).dtype.kind == "f")
        for a, b in zip(one, other, strict=True)
    )
