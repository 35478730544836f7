"""Recordings and captures: what a day is kept in, read into records and written again.

A recording is the raw stream as JSON lines, a capture a table of samples (Parquet or CSV). Which of
them a file is, and whether it is compressed, is told by its content and not by its name.
"""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from condmon.capture import mapping
from condmon.capture.files import CutOffError, Notes, Source, open_file
from condmon.capture.mapping import Mapping
from condmon.capture.recording import Recording, write_recording
from condmon.engine.decode import PAYLOAD_BYTES_MAX, Decoder
from condmon.engine.records import Batch
from condmon.engine.settings import Settings

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["CutOffError", "Mapping", "Notes", "mapping", "read", "write_capture", "write_recording"]


def read(
    paths: Sequence[Path],
    settings: Settings,
    notes: Notes,
    zone_offset_s: Callable[[int], int] | None = None,
    payload_bytes_max: int = PAYLOAD_BYTES_MAX,
    columns: Mapping | None = None,
) -> Iterator[Batch]:
    """Batches of records of several files, one file after another in order of their first time.

    Parameters
    ----------
    notes : Notes
        Filled while reading: lines put aside, names unknown, how far reading has come.
    columns : Mapping or None
        What the columns of CSV files are where they are not those of a capture.

    Raises
    ------
    UsageError
        Before the first batch: a file that is not there or neither a recording nor a capture.
    """
    from condmon.capture.table import Table  # brings pyarrow, which the daemon never loads

    decoder = Decoder(settings, zone_offset_s, payload_bytes_max)
    sources: list[Source] = []
    for path in paths:
        opened = open_file(path, foreign=columns is not None)
        if opened.kind == "recording":
            sources.append(Recording(opened, decoder))
        else:
            sources.append(Table(opened, settings, columns if opened.kind == "csv" else None))
    sources.sort(key=lambda source: source.first_us)
    notes.bytes_total = sum(source.opened.size for source in sources)
    return _one_after_another(sources, notes)


def write_capture(path: Path, table: "pa.Table") -> None:
    """Write a table as Parquet, or as CSV where the name says so; packed if it ends in .gz."""
    from condmon.capture import table as tables

    tables.write_capture(path, table)


def _one_after_another(sources: Sequence[Source], notes: Notes) -> Iterator[Batch]:
    done = 0
    for source in sources:
        for batch in source.batches(notes):
            notes.bytes_read = done + source.opened.position()
            yield batch
        done += source.opened.size
        notes.bytes_read = done
