"""Sealed files: one table of one machine and day, in order of signals, written to be trusted.

Written beside its place, synced, read again and compared, renamed, the folder synced: whatever
stops it, a file that has its name is whole. pyarrow loads when a table is read or written, not
before. A row group holds a signal, or several short ones: each costs half a kilobyte by itself.
Times and numbers (`capture.decimals`) are kept as binary packed differences, the rest as
dictionaries, under zstd: about a byte a sample. The first form had a row group for every signal
and its numbers as they are; it is read like the present one.
"""

import json
import zlib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from numpy.typing import NDArray

from condmon.capture import decimals
from condmon.errors import CondmonError, NewerError, StoreError
from condmon.store.durable import TMP, Step, make_folder, nothing, sync_file, sync_folder

if TYPE_CHECKING:
    import pyarrow as pa

FORMAT = 2
TOGETHER_ROWS = 1 << 14  # of short signals in one row group: as soon read as one alone
_KEY = b"condmon"
_LABELS = ("machine", "signal")
_PARTS = (decimals.NUMBER, decimals.PLACES)

Table = Mapping[str, NDArray[Any]]
"""Columns of one signal by name, all of shape (n,); `time` is int64 microseconds of UTC."""

Signals = list[tuple[str, Table]]


class DamagedError(CondmonError):
    """A sealed file that does not hold what it says."""


def write(
    path: Path,
    machine: str,
    signals: Iterable[tuple[str, Table]],
    step: Step = nothing,
    together_rows: int = TOGETHER_ROWS,
) -> int:
    """Write a table of one machine, signal by signal; the number of rows.

    Short signals share row groups of at most `together_rows`; with 0 each has its own.
    Raises OSError where the disk refuses, DamagedError where it did not keep what was written.
    """
    import pyarrow as pa

    make_folder(path.parent)
    tmp = path.with_name(path.name + TMP)
    told: list[list[Any]] = []
    groups: list[int] = []
    writer = None
    try:
        for together in _together(signals, together_rows):
            table = _table(machine, together)
            writer = writer or _writer(tmp, table.schema)
            writer.write_table(table, row_group_size=max(1, len(table)))
            told += [[name, len(table["time"]), _checksum(table)] for name, table in together]
            groups.append(len(together))
        if writer is None:
            return 0
        head = {"format": FORMAT, "machine": machine, "groups": groups, "signals": told}
        writer.add_key_value_metadata({_KEY: json.dumps(head)})
    except pa.ArrowException as error:  # a failed write of Arrow's own
        raise OSError(f"{path}: {error}") from error
    finally:
        if writer is not None:
            writer.close()
    sync_file(tmp)
    step("written")
    with Sheet(tmp) as again:
        again.verify()
    tmp.replace(path)
    step("renamed")
    sync_folder(path.parent)
    return sum(rows for _, rows, _ in told)


def _together(signals: Iterable[tuple[str, Table]], rows_max: int) -> Iterator[Signals]:
    """Signals as they share row groups."""
    waiting: Signals = []
    rows = 0
    for signal, table in signals:
        if waiting and rows + len(table["time"]) > rows_max:
            yield waiting
            waiting, rows = [], 0
        waiting.append((signal, table))
        rows += len(table["time"])
    if waiting:
        yield waiting


def _writer(path: Path, schema: "pa.Schema") -> Any:
    import pyarrow.parquet as pq

    packed = ["time", *(name for name in schema.names if name.endswith(decimals.NUMBER))]
    return pq.ParquetWriter(
        path,
        schema,
        compression="zstd",
        compression_level=6,
        use_dictionary=[name for name in schema.names if name not in packed],
        column_encoding=dict.fromkeys(packed, "DELTA_BINARY_PACKED"),
        write_page_checksum=True,
        write_statistics=["time"],  # of short tables the rest would be a tenth
    )


def _refused(path: Path, error: OSError) -> StoreError:
    return StoreError(f"{path}: cannot be read: {error}. Check the disk; the file stays as it is.")


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
            self._told = head["signals"]
            groups = head.get("groups", [1] * len(self._told))  # the first form: one each
            self._places = dict(_places(groups, self._told))
        except (pa.ArrowException, ValueError, KeyError, TypeError) as error:
            raise DamagedError(f"{path}: damaged: {error}") from error
        except OSError as error:
            raise _refused(path, error) from error
        if (len(groups), sum(groups)) != (self._file.metadata.num_row_groups, len(self._told)):
            raise DamagedError(f"{path}: damaged: it does not hold all its signals")
        # the last row group of several signals: read once for all of them
        self._shared: tuple[int, Table] = (-1, {})

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
        """Columns of one signal in order of time; without rows where it has none.

        Raises DamagedError, and StoreError where the disk refuses.
        """
        if signal not in self._places:
            return self._none()
        group, first, rows, alone = self._places[signal]
        if alone:
            return self._group(group)
        if self._shared[0] != group:
            self._shared = group, self._group(group)
        return {name: column[first : first + rows] for name, column in self._shared[1].items()}

    def _group(self, group: int) -> Table:
        import pyarrow as pa

        names = [name for name in self._file.schema_arrow.names if name not in _LABELS]
        try:
            return _columns(self._file.read_row_group(group, columns=names))
        except (pa.ArrowException, OSError) as error:
            if getattr(error, "errno", None):  # the disk refused; the file may be sound
                raise _refused(self.path, error) from error
            raise DamagedError(f"{self.path}: damaged: {error}") from error

    def verify(self) -> None:
        """Read all of it; DamagedError where rows or checksums differ from what was written."""
        for signal, rows, checksum in self._told:
            columns = self.read(signal)
            if len(columns["time"]) != rows or _checksum(columns) != checksum:
                raise DamagedError(
                    f"{self.path}: {signal} reads back otherwise than it was written. The disk or "
                    "memory of this computer is failing; save the data folder and replace it."
                )

    def _none(self) -> Table:
        return _columns(self._file.schema_arrow.empty_table())


def _places(
    groups: list[int], told: list[list[Any]]
) -> Iterator[tuple[str, tuple[int, int, int, bool]]]:
    """Of each signal: its row group, its first row in it, its rows, whether it is alone there."""
    rest = iter(told)
    for group, count in enumerate(groups):
        first = 0
        for signal, rows, _ in [next(rest, ("", 0, 0)) for _ in range(count)]:
            yield signal, (group, first, rows, count == 1)
            first += rows


def _table(machine: str, signals: Signals) -> "pa.Table":
    import pyarrow as pa

    rows = [len(table["time"]) for _, table in signals]
    label = pa.dictionary(pa.int32(), pa.string())
    at_us = np.concatenate([table["time"] for _, table in signals])
    out: dict[str, Any] = {"time": pa.array(at_us, pa.timestamp("us", "UTC"))}
    numbered = np.repeat(np.arange(len(rows), dtype=np.int32), rows)
    for name, codes, words in (
        ("machine", np.zeros(len(at_us), np.int32), [machine]),
        ("signal", numbered, [signal for signal, _ in signals]),
    ):
        out[name] = pa.DictionaryArray.from_arrays(pa.array(codes), pa.array(words)).cast(label)
    for name in signals[0][1]:
        if name != "time":
            columns = [table[name] for _, table in signals]
            out |= _whole_or_parts(name, columns)
    return pa.table(out)


def _whole_or_parts(name: str, columns: list[NDArray[Any]]) -> dict[str, Any]:
    """A column of several signals: numbers in parts, each with its own places; others as is."""
    import pyarrow as pa

    if columns[0].dtype != np.float64:
        return {name: pa.array(np.concatenate(columns))}
    each = [decimals.parts(name, column) for column in columns]
    return {part: pa.chunked_array([one[part] for one in each]) for part in each[0]}


def _columns(table: "pa.Table") -> Table:
    """Columns as they were given to be written, numbers put together."""
    import pyarrow as pa

    found: dict[str, NDArray[Any]] = {}
    for name in table.column_names:
        if name.endswith(_PARTS):
            continue
        if decimals.are_parts(table.column_names, name):
            found[name] = decimals.whole(table, name)
        else:
            column = table.column(name)
            kind = pa.int64() if pa.types.is_timestamp(column.type) else column.type
            found[name] = column.cast(kind).to_numpy()
    return found


def _checksum(columns: Table) -> int:
    total = 0
    for name in sorted(columns):
        total = zlib.crc32(np.ascontiguousarray(columns[name]).tobytes(), total)
    return total
