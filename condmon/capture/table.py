"""Captures: tables of samples (time, machine, signal, value, optional quality), by columns.

Rows become records without a Python object per sample: an hour is a run of samples, followed by
beacons at which time passes.
"""

import gzip
import io
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from condmon.capture import decimals
from condmon.capture.columns import Samplesheet, sheet, times_us
from condmon.capture.files import CutOffError, Notes, Opened
from condmon.capture.foreign import Foreign
from condmon.capture.hours import HOUR_US, beacons
from condmon.capture.mapping import Mapping
from condmon.engine.records import NO_TIME, Batch, Beacon, Record
from condmon.engine.settings import Settings
from condmon.errors import UsageError

COLUMNS = ("time", "machine", "signal", "value")
_READ = (*COLUMNS, "value" + decimals.NUMBER, "value" + decimals.PLACES, "quality")
DAMAGED = (pa.ArrowException, OSError, CutOffError, ValueError, ArithmeticError)
"""What reading a file that is no whole capture ends in, of the library's errors and Python's."""


class Table:
    """A capture being read."""

    def __init__(self, opened: Opened, settings: Settings, columns: Mapping | None = None) -> None:
        self.opened = opened
        self._settings = settings
        try:
            self._foreign = Foreign(opened, columns, settings) if columns is not None else None
            self._pieces = self._open()
        except DAMAGED as error:
            raise UsageError(
                f"{opened.path}: cannot be read as a capture: {_first(error)}"
            ) from None
        firsts = [first_us for first_us, _ in self._pieces]
        self.first_us = min(firsts)

    def batches(self, notes: Notes) -> Iterator[Batch]:
        """Read the file in order of time, about an hour at a time."""
        for text in self._foreign.warnings if self._foreign else ():
            notes.warn(text)
        for _, groups in self._pieces:
            try:
                content = sheet(self._load(groups), self._settings, notes, self.opened.path)
            except DAMAGED as error:
                notes.cut = True
                notes.warn(
                    f"{self.opened.path}: damaged inside ({_first(error)}); this part was left out"
                )
                continue
            yield from _hours(content, notes)

    def _open(self) -> list[tuple[int, list[int]]]:
        """Pieces that can be read one after another: (first time, row groups)."""
        path = self.opened.path
        if self._foreign:
            self._whole: Any = self._foreign.table()
        elif self.opened.kind == "csv":
            self._whole = _read_csv(self.opened)
        else:
            source = self.opened.content() if self.opened.packing else str(path)
            if isinstance(source, bytes):
                source = pa.BufferReader(source)
            self._whole = pq.ParquetFile(source, memory_map=not self.opened.packing)
        schema = self._whole.schema
        names = schema.names
        missing = [name for name in COLUMNS if name not in names]
        if missing:
            raise UsageError(
                f"{path}: has no column {', '.join(missing)}; a capture has the columns "
                f"{', '.join(COLUMNS)} and may have quality; this one has {', '.join(names)[:200]}"
            )
        if self._rows() == 0:
            raise UsageError(f"{path}: the capture has columns but no rows")
        return self._split()

    def _rows(self) -> int:
        whole = self._whole
        return int(whole.num_rows if self.opened.kind == "csv" else whole.metadata.num_rows)

    def _split(self) -> list[tuple[int, list[int]]]:
        """Row groups whose times overlap go together, so that each piece can be sorted alone."""
        if self.opened.kind == "csv":
            return [(min(self._ends([]) or (0,)), [])]
        spans: list[tuple[int, int, int]] = []
        apart: list[int] = []  # without a time, or damaged: that is told when they are read
        damage: Exception | None = None
        for group in range(self._whole.metadata.num_row_groups):
            try:
                ends = self._ends([group])
            except DAMAGED as error:
                ends, damage = (), error
            if ends:
                spans.append((*ends, group))
            else:
                apart.append(group)
        if damage is not None and not spans:
            raise damage
        if not spans and not apart:
            raise ValueError("its foot counts rows and tells of no place that has them")
        pieces: list[tuple[int, int, list[int]]] = []
        for first_us, last_us, group in sorted(spans):
            if pieces and first_us <= pieces[-1][1]:
                before = pieces.pop()
                pieces.append((before[0], max(before[1], last_us), [*before[2], group]))
            else:
                pieces.append((first_us, last_us, [group]))
        first_us = pieces[0][0] if pieces else 0
        return [
            *((first_us, together) for first_us, _, together in pieces),
            *((first_us, [group]) for group in apart),
        ]

    def _ends(self, groups: list[int]) -> tuple[int, int] | tuple[()]:
        """First and last time of row groups, empty where they have none."""
        if len(groups) == 1 and (told := self._told(groups[0])):
            return told
        column = self._load(groups, ["time"]).column("time")
        at_us = times_us(column, self.opened.path)
        known = at_us[at_us != NO_TIME]
        return (int(known.min()), int(known.max())) if len(known) else ()

    def _told(self, group: int) -> tuple[int, int] | None:
        """First and last time of a row group by the file's statistics, None where it has none.

        The library ends the whole process over statistics that are damaged. Over most of them it
        raises when the group is begun to be read; so that is done first.
        """
        whole = self._whole
        place = whole.schema_arrow.get_field_index("time")
        kind = whole.schema_arrow.field(place).type
        if not pa.types.is_timestamp(kind) or len(whole.schema.names) != len(whole.schema_arrow):
            return None
        next(whole.iter_batches(1, row_groups=[group], columns=["time"]), None)
        chunk = whole.metadata.row_group(group).column(place)
        if chunk.physical_type != whole.schema.column(place).physical_type:
            return None
        found = chunk.statistics
        if found is None or not found.has_min_max:
            return None
        ends = (
            pa.array([found.min, found.max]).cast(pa.timestamp("us"), safe=False).cast(pa.int64())
        )
        return ends[0].as_py(), ends[1].as_py()

    def _load(self, groups: list[int], names: list[str] | None = None) -> pa.Table:
        whole = self._whole
        if self.opened.kind == "csv":
            return whole if names is None else whole.select(names)
        wanted = [name for name in _READ if name in whole.schema.names]
        table = whole.read_row_groups(groups, columns=names or wanted)
        if names is None and decimals.are_parts(table.column_names, "value"):
            return table.set_column(
                table.column_names.index("value"), "value", [decimals.whole(table, "value")]
            )
        return table


def _read_csv(opened: Opened) -> pa.Table:
    text = {name: pa.string() for name in (*COLUMNS, "quality")}
    source = pa.BufferReader(opened.content()) if opened.packing else str(opened.path)
    # one thread, because only then a wrong row is told by its number
    return pacsv.read_csv(
        source,
        read_options=pacsv.ReadOptions(use_threads=False),
        convert_options=pacsv.ConvertOptions(
            column_types=text, strings_can_be_null=True, null_values=[""]
        ),
    )


def _hours(content: Samplesheet, notes: Notes) -> Iterator[Batch]:
    at_us = content.samples.arrived_us
    if not len(at_us):
        return
    last_us = int(at_us[-1])
    notes.last_us = max(last_us, notes.last_us or last_us)
    hour = at_us // HOUR_US
    edges = [0, *(np.flatnonzero(np.diff(hour)) + 1).tolist(), len(at_us)]
    for start, stop in pairwise(edges):
        batch: list[Record] = [content.run(start, stop)]
        batch += [Beacon(int(when)) for when in beacons(at_us[start:stop])]
        yield batch


def _first(error: Exception) -> str:
    return str(error).strip().split("\n")[0][:200]


def write_capture(path: Path, table: pa.Table) -> None:
    """Write a table as Parquet, or as CSV where the name says so; packed if it ends in .gz."""
    names = path.name.removesuffix(".gz")
    buffer = io.BytesIO()
    if names.endswith(".csv"):
        pacsv.write_csv(table, buffer)
    else:
        pq.write_table(table, buffer, compression="zstd", row_group_size=1 << 19)
    content = buffer.getvalue()
    path.write_bytes(gzip.compress(content, mtime=0) if path.suffix == ".gz" else content)
