"""What the daemon recorded, as batches for an engine: sealed days as samples, then recordings."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from condmon.capture.hours import HOUR_US, beacons
from condmon.engine.records import (
    BAD,
    I32,
    NO_TIME,
    NODATA,
    REASONS,
    Batch,
    Beacon,
    Record,
    Samples,
)
from condmon.engine.settings import Settings
from condmon.history.places import Places
from condmon.history.recordings import Columns, Stream, batches, day_start_us, names_in, streams
from condmon.history.store import History
from condmon.replaying.paced import within
from condmon.spans import Span
from condmon.store.packing import Integers
from condmon.store.recorder import rows_in

SLICE_US = 6 * HOUR_US
ROWS_AT_ONCE = 50_000
BATCHES_AT_ONCE = 2_000
_WHY = np.zeros(4, np.uint8)
_WHY[BAD], _WHY[NODATA] = REASONS.index("recorded as bad"), REASONS.index("says it has no value")


def stored(folder: Path, settings: Settings, span: Span) -> Iterator[Batch]:
    """Everything of a span: sealed days up to the oldest recording that is left, then recordings.

    A sealed day holds samples only; recordings hold what people did and which models came, too.
    Raises StoreError, DamagedError.
    """
    found = streams(folder)
    recorded_us = day_start_us(found[0].day) if found else span[1]
    # a recording that is being sealed may hold the day before its own
    days = Places(folder).days()
    if days and span[0] < recorded_us:
        first_us = max(span[0], day_start_us(days[0]))
        yield from _sealed(folder, settings, (first_us, min(span[1], recorded_us)))
    yield from within((batch for _, batch in recorded(found, settings, 0, 2**62)), span)


def _sealed(folder: Path, settings: Settings, span: Span) -> Iterator[Batch]:
    history = History(folder, settings.signals)
    index = {(signal.machine, signal.name): signal.index for signal in settings.signals}
    machines = [machine.id for machine in settings.machines]
    at_us = span[0]
    while at_us < span[1]:
        end_us = min(span[1], (at_us // SLICE_US + 1) * SLICE_US)
        names, columns = history.span(at_us, end_us, machines)
        place = np.array([index.get(name, -1) for name in names] or [-1], np.int32)
        signal = place[columns.number]
        rows = np.flatnonzero(signal >= 0)
        if len(rows):
            yield _batch(signal[rows], columns.pick(rows))
        at_us = end_us


def _batch(signal: I32, columns: Columns) -> Batch:
    """One piece of sealed samples as a capture of it would give them."""
    n, at_us, quality = len(signal), columns.at_us, columns.quality
    known = np.where(quality >= BAD, np.nan, columns.value)
    run = Samples(
        signal, at_us, np.full(n, NO_TIME, np.int64), known, quality,
        np.zeros(n, np.uint16), _WHY[quality],
    )  # fmt: skip
    out: list[Record] = [run]
    return [*out, *(Beacon(int(when)) for when in beacons(at_us))]


def recorded(
    found: list[Stream], settings: Settings, after: int, until: int
) -> Iterator[tuple[int, Batch]]:
    """Records of the batches in (after, until] with the offset they reach, many joined into one.

    Samples of signals that the settings do not have are left out. Raises StoreError.
    """
    index = {(signal.machine, signal.name): signal.index for signal in settings.signals}
    joined: list[Record] = []
    last = rows = count = 0
    for stream in found:
        if stream.last <= after or stream.first > until:
            continue
        present = np.array([index.get(name, -1) for name in names_in(stream)], np.int64)

        def renumber(column: Integers, present: Integers = present) -> Integers:
            return present[column]

        for offset, records in batches(stream, renumber, after, until):
            joined += records
            last, rows, count = offset, rows + rows_in(records), count + 1
            if rows >= ROWS_AT_ONCE or count >= BATCHES_AT_ONCE:
                yield last, joined
                joined, rows, count = [], 0, 0
    if joined:
        yield last, joined
