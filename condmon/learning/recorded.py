"""What was recorded, to learn from: recordings, and before them the days that were sealed.

Recordings are kept for two weeks by default, sealed days for as long as the shop wishes. A sealed
day has every sample; what people did on it is known from the recordings alone.
"""

from collections.abc import Iterator

import numpy as np

from condmon.clock import Clock
from condmon.config import Config
from condmon.engine.records import NO_TIME, SECOND_US, Batch, Beacon, Record, Samples
from condmon.engine.settings import Settings
from condmon.engine.timetext import LATEST_US
from condmon.history.recordings import Columns, Name, day_start_us, streams
from condmon.history.store import History
from condmon.store.recorder import Recorder

SLICE_US = 6 * 3600 * SECOND_US
"""So that a quarter of a day of 40 signals at 1 Hz is in memory, not all of it."""
BEACON_US = 300 * SECOND_US


def recorded(config: Config, from_us: int) -> Iterator[Batch]:
    """Everything from an instant on, oldest first."""
    settings, folder = config.settings, config.store.path
    begins_us = min((day_start_us(stream.day) for stream in streams(folder)), default=LATEST_US)
    yield from sealed(History(folder, settings.signals), settings, from_us, begins_us)
    recorder = Recorder(folder, settings.signals, Clock().now_us)
    for _, records in recorder.read(0):
        yield records


def sealed(history: History, settings: Settings, from_us: int, to_us: int) -> Iterator[Batch]:
    """Samples of sealed days in [from, to), with beacons; signals no longer there are left out."""
    held = history.span_us()
    if held is None:
        return
    at_us, end_us = max(from_us, held[0]), min(to_us, held[1])
    machines = [machine.id for machine in settings.machines]
    while at_us < end_us:
        stop_us = min(end_us, (at_us // SLICE_US + 1) * SLICE_US)
        names, columns = history.span(at_us, stop_us, machines)
        yield from _batches(names, columns, settings)
        at_us = stop_us


def _batches(names: list[Name], columns: Columns, settings: Settings) -> Iterator[Batch]:
    """One batch for each five minutes that have a sample."""
    index = {(s.machine, s.name): s.index for s in settings.signals}
    place = np.array([index.get(name, -1) for name in names] or [-1], np.int32)
    known = place[columns.number] >= 0 if len(columns.number) else np.zeros(0, bool)
    at_us = columns.at_us[known]
    edges = np.flatnonzero(np.diff(at_us // BEACON_US)) + 1
    signal = place[columns.number[known]]
    value, quality = columns.value[known], columns.quality[known]
    for rows in np.split(np.arange(len(at_us)), edges):
        if len(rows):
            n = len(rows)
            taken = Samples(
                signal[rows], at_us[rows], np.full(n, NO_TIME, np.int64), value[rows],
                quality[rows], np.zeros(n, np.uint16), np.zeros(n, np.uint8),
            )  # fmt: skip
            batch: list[Record] = [taken, Beacon(int(at_us[rows[-1]]))]
            yield batch
