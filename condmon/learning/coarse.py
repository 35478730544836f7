"""Recorded batches made coarse: what was recorded second by second is learned minutes at once.

The engine says the same however a stream is cut, but it works block by block, and a block ends at a
beacon. Learning from weeks needs no beacon a second; with few of them it is many times as fast.
What came late, but within those minutes, is then taken in its own time.
"""

from collections.abc import Iterable, Iterator

from condmon.engine.records import SECOND_US, Batch, Beacon, Samples
from condmon.engine.runs import joined

EVERY_US = 900 * SECOND_US
AWAY_US = 60 * SECOND_US
"""After so long without any record the last beacon counts: nobody may have watched since."""
ROWS_MAX = 200_000


def coarse(batches: Iterable[Batch]) -> Iterator[Batch]:
    """The same records in the same order, in long runs, with a beacon in a quarter of an hour."""
    runs: list[Samples] = []
    rows, told_us, newest_us = 0, 0, 0
    left_out: Beacon | None = None
    for record in (record for batch in batches for record in batch):
        if isinstance(record, Samples) and not len(record):
            continue
        at_us = int(record.arrived_us[-1]) if isinstance(record, Samples) else record.at_us
        if left_out is not None and not 0 <= at_us - newest_us < AWAY_US:
            yield [*_one(runs), left_out]
            runs, rows, told_us, left_out = [], 0, left_out.at_us, None
        newest_us = at_us
        if isinstance(record, Samples):
            runs.append(record)
            rows += len(record)
        elif isinstance(record, Beacon) and 0 <= at_us - told_us < EVERY_US and rows < ROWS_MAX:
            left_out = record
        else:
            yield [*_one(runs), record]
            runs, rows = [], 0
            if isinstance(record, Beacon):
                told_us, left_out = at_us, None
    yield [*_one(runs), *([left_out] if left_out else [])]


def _one(runs: list[Samples]) -> list[Samples]:
    """One run of several, none of none."""
    return [joined(runs)] if runs else []
