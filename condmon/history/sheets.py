"""Sealed files: one table of one machine and day, a row group per signal, written to be trusted.

Written beside its place, synced, read again and compared, renamed, the folder synced: whatever
stops it, a file that has its name is whole. pyarrow loads when a table is read or written, not
before. Encodings are the measured ones (PARTS: about a byte a sample): time as binary packed
differences, values as a dictionary, zstd 3.
"""

import json
import os
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import NDArray

from condmon.errors import CondmonError, NewerError

if TYPE_CHECKING:
    import pyarrow as pa

FORMAT = 1
TMP = ".tmp"
_KEY = b"condmon"
Step = Callable[[str], None]
"""Called after everything that lasts; tests stop the work there."""

Table = Mapping[str, NDArray[Any]]
"""Columns of one signal by name, all of shape (n,); `time` is int64 microseconds of UTC."""


class DamagedError(CondmonError):
    """A sealed file that does not hold what it says."""


def nothing(_step: str) -> None:
    """No one is told of a step."""


def write(
    path: Path, machine: str, signals: Iterable[tuple[str, Table]], step: Step = nothing
) -> int:
    """Write a table of one machine, a row group per signal; the number of rows.

    Raises OSError where the disk refuses, DamagedError where it did not keep what was written.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    make_folder(path.parent)
    tmp = path.with_name(path.name + TMP)
    told: list[list[Any]] = []
    writer = None
    try:
        for signal, columns in signals:
            table = _table(machine, signal, columns)
            if writer is None:
                writer = pq.ParquetWriter(
                    tmp,
                    table.schema,
                    compression="zstd",
                    compression_level=3,
                    use_dictionary=[name for name in table.schema.names if name != "time"],
                    column_encoding={"time": "DELTA_BINARY_PACKED"},
                    write_page_checksum=True,
                    write_statistics=["time"],  # of short tables the rest would be a tenth
                )
            writer.write_table(table, row_group_size=max(1, len(table)))
            told.append([signal, len(table), _checksum(columns)])
        if writer is None:
            return 0
        head = {"format": FORMAT, "machine": machine, "signals": told}
        writer.add_key_value_metadata({_KEY: json.dumps(head)})
    except pa.ArrowException as error:  # a failed write of Arrow's own
        raise OSError(f"{path}: {error}") from error
    finally:
        if writer is not None:
            writer.close()
    _sync(tmp)
    step("written")
    with Sheet(tmp) as again:
        again.verify()
    tmp.replace(path)
    step("renamed")
    sync_folder(path.parent)
    return sum(rows for _, rows, _ in told)


class Sheet:
    """A sealed file opened for reading, signal by signal."""

    def __init__(self, path: Path) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        self.path = path
        try:
            self._file = pq.ParquetFile(path, page_checksum_verification=True)
            head = json.loads(self._file.metadata.metadata[_KEY])
            if head["format"] > FORMAT:
                raise NewerError(path, head["format"], FORMAT)
            self.machine = str(head["machine"])
            self._places = {row[0]: place for place, row in enumerate(head["signals"])}
            self._told = head["signals"]
        except (pa.ArrowException, ValueError, KeyError, TypeError) as error:
            raise DamagedError(f"{path}: damaged: {error}") from error
        if len(self._told) != self._file.metadata.num_row_groups:
            raise DamagedError(f"{path}: damaged: it does not hold all its signals")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()

    @property
    def signals(self) -> list[str]:
        """Names of the signals in it."""
        return list(self._places)

    @property
    def rows(self) -> int:
        """All rows of all signals."""
        return sum(row[1] for row in self._told)

    def read(self, signal: str) -> Table:
        """Columns of one signal in order of time; without rows where it has none. DamagedError."""
        import pyarrow as pa

        names = [name for name in self._file.schema_arrow.names if name not in _LABELS]
        place = self._places.get(signal)
        if place is None:
            return {name: self._none(name) for name in names}
        try:
            group = self._file.read_row_group(place, columns=names)
        except (pa.ArrowException, OSError) as error:
            raise DamagedError(f"{self.path}: damaged: {error}") from error
        return {name: _numbers(group.column(name)) for name in names}

    def verify(self) -> None:
        """Read all of it; DamagedError where rows or checksums differ from what was written."""
        for signal, rows, checksum in self._told:
            columns = self.read(signal)
            if len(columns["time"]) != rows or _checksum(columns) != checksum:
                raise DamagedError(
                    f"{self.path}: {signal} reads back otherwise than it was written. The disk or "
                    "memory of this computer is failing; save the data folder and replace it."
                )

    def _none(self, name: str) -> NDArray[Any]:
        kind = self._file.schema_arrow.field(name).type
        return np.empty(0, np.int64 if name == "time" else kind.to_pandas_dtype())


_LABELS = ("machine", "signal")


def _table(machine: str, signal: str, columns: Table) -> "pa.Table":
    import pyarrow as pa

    rows = len(columns["time"])
    label = pa.dictionary(pa.int32(), pa.string())
    out: dict[str, Any] = {"time": pa.array(columns["time"], pa.timestamp("us", "UTC"))}
    for name, text in zip(_LABELS, (machine, signal), strict=True):
        codes = pa.array(np.zeros(rows, np.int32))
        out[name] = pa.DictionaryArray.from_arrays(codes, pa.array([text])).cast(label)
    out |= {name: pa.array(column) for name, column in columns.items() if name != "time"}
    return pa.table(out)


def _numbers(column: Any) -> NDArray[Any]:
    import pyarrow as pa

    if pa.types.is_timestamp(column.type):
        column = column.cast(pa.int64())
    numbers: NDArray[Any] = column.to_numpy()
    return numbers


def _checksum(columns: Table) -> int:
    total = 0
    for name in sorted(columns):
        total = zlib.crc32(np.ascontiguousarray(columns[name]).tobytes(), total)
    return total


def read_from(paths: Iterable[Path], signal: str) -> Iterator[Table]:
    """Columns of one signal out of several files, one after another."""
    for path in paths:
        with Sheet(path) as sheet:
            yield sheet.read(signal)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, durably."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    folder.mkdir(exist_ok=True)
    sync_folder(folder.parent)


def write_text(path: Path, text: str) -> None:
    """Put a small text in a file's place, whole or not at all."""
    tmp = path.with_name(path.name + TMP)
    tmp.write_text(text, encoding="utf-8")
    _sync(tmp)
    tmp.replace(path)
    sync_folder(path.parent)


def remove(path: Path, step: Step = nothing) -> None:
    """Remove a file durably, if it is there."""
    path.unlink(missing_ok=True)
    step("removed")
    sync_folder(path.parent)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(folder: Path) -> None:
    """Make names in a folder durable."""
    _sync(folder)
