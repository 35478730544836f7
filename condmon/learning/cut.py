"""Cutting batches at an instant of arrival, so that what is learned and what is judged part there.

Pure; imports nothing heavy.
"""

from collections.abc import Iterable, Iterator

import numpy as np

from condmon.engine.records import Batch, Record, Samples


def between(batches: Iterable[Batch], from_us: int, to_us: int) -> Iterator[Batch]:
    """What arrived in [from_us, to_us), batch by batch; empty batches are left out."""
    for batch in batches:
        kept = [part for record in batch if (part := _inside(record, from_us, to_us)) is not None]
        if kept:
            yield kept


def parted(batch: Batch, at_us: int) -> tuple[Batch, Batch]:
    """A batch before and from the first record that arrived at an instant or after it."""
    for place, record in enumerate(batch):
        if not isinstance(record, Samples):
            if record.at_us >= at_us:
                return batch[:place], batch[place:]
            continue
        late = record.arrived_us >= at_us
        if late.any():
            row = int(np.argmax(late))
            before = [*batch[:place], *([record.cut(0, row)] if row else [])]
            return before, [record.cut(row, len(record)), *batch[place + 1 :]]
    return batch, ()


def first_us(batch: Batch) -> int | None:
    """When the first record of a batch arrived; None for one without any."""
    for record in batch:
        if not isinstance(record, Samples):
            return record.at_us
        if len(record):
            return int(record.arrived_us[0])
    return None


def _inside(record: Record, from_us: int, to_us: int) -> Record | None:
    if not isinstance(record, Samples):
        return record if from_us <= record.at_us < to_us else None
    rows = np.flatnonzero((record.arrived_us >= from_us) & (record.arrived_us < to_us))
    if not len(rows):
        return None
    if len(rows) == len(record):
        return record
    return record.cut(int(rows[0]), int(rows[-1]) + 1)
