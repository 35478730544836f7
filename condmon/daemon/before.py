"""The service book and the counters of before, where the recordings alone do not reach them.

A changed configuration is replayed from yesterday only, and recordings do not last for ever; lives
and tasks go back years. They come out of the newest snapshot, whatever configuration made it, or,
where none can be read, out of the journal's own lines.
"""

from typing import NamedTuple

from condmon.engine.records import Samples
from condmon.engine.servicebook.carry import Cargo, from_entries, from_snapshot
from condmon.store.journal import Reader
from condmon.store.recorder import Recorder

ENTRIES_MAX = 1_000_000


class Before(NamedTuple):
    """What is carried over, and the offset at which it stood."""

    offset: int
    cargo: Cargo


def look_before(journal: Reader, recorder: Recorder, after: int) -> Before | None:
    """What an engine that is built up from `after` on does not know; None where it knows all."""
    for blob, offset in journal.snapshots():
        cargo = from_snapshot(blob)
        if cargo is not None:
            return None if cargo.empty() else Before(offset, cargo)
    entries = journal.entries(ENTRIES_MAX, kind="service")
    if not entries:
        return None
    counted = journal.entries(ENTRIES_MAX, kind="usage")
    told = sorted([*reversed(entries), *reversed(counted)], key=lambda entry: entry.at_us)
    cargo = from_entries(told, _begins_us(recorder, after))
    return None if cargo.empty() else Before(after, cargo)


def _begins_us(recorder: Recorder, after: int) -> int:
    """When the recordings after an offset begin."""
    for _, records in recorder.read(after):
        times = [
            int(record.arrived_us.min()) if isinstance(record, Samples) else record.at_us
            for record in records
            if not isinstance(record, Samples) or len(record)
        ]
        if times:
            return min(times)
    return 2**62
