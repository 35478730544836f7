"""`condmon capture`: a day or a span out of the store as a capture file, for a replay elsewhere."""

import argparse
import gzip
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from condmon import spans
from condmon.clock import rfc3339
from condmon.config import load
from condmon.engine.records import BAD, NODATA, QUALITIES, SECOND_US
from condmon.engine.settings import Settings
from condmon.engine.words import nearest
from condmon.errors import CondmonError, UsageError
from condmon.history.recordings import Columns, Name
from condmon.history.store import History
from condmon.spans import Span

SLICE_US = 6 * 3600 * SECOND_US
ENDINGS = (".parquet", ".parquet.gz", ".csv", ".csv.gz")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Say what `condmon capture` takes."""
    parser.add_argument(
        "-c",
        "--config",
        type=Path,
        default=Path("condmon.toml"),
        metavar="FILE",
        help="the configuration (default: condmon.toml); its [store] is read, never written",
    )
    spans.arguments(parser)
    parser.add_argument("--machine", metavar="M", help="this machine alone")
    parser.add_argument(
        "-o",
        "--output",
        type=Path,
        required=True,
        metavar="OUT",
        help="a new file, OUT.parquet or OUT.csv; packed where .gz follows",
    )
    parser.epilog = "Exit code 1: nothing was recorded in that span, or the disk refused."


def run(args: argparse.Namespace) -> int:
    """Write the file and say what is in it. Raises CondmonError, ConfigError, UsageError."""
    settings_of = load(args.config)
    settings, output = settings_of.settings, args.output
    if not output.name.endswith(ENDINGS):
        raise UsageError(f"{output}: the name of a capture ends in {', '.join(ENDINGS)}")
    wanted = spans.asked(args, settings)
    if wanted is None:
        raise UsageError("say which time: --day DAY, or --from TIME and --to TIME")
    history = History(settings_of.store.path, settings.signals)
    held = history.span_us()
    if held is None:
        raise CondmonError(
            f"{settings_of.store.path}: nothing was recorded here; is [store] path right?"
        )
    span = max(wanted[0], held[0]), min(wanted[1], held[1])
    machines = _machines(args.machine, history, span, settings)
    rows = _written(output, history, machines, span)
    if not rows:
        raise CondmonError(
            f"nothing was recorded from {rfc3339(wanted[0])} to {rfc3339(wanted[1])}; the store "
            f"holds {rfc3339(held[0])} to {rfc3339(held[1])}"
        )
    print(f"condmon: {rows} samples of {', '.join(machines)} written to {output}", file=sys.stderr)
    return 0


def _machines(asked: str | None, history: History, span: Span, settings: Settings) -> list[str]:
    known = history.machines(*span)
    if asked is None:
        return known
    if asked not in known:
        raise UsageError(
            f"--machine {asked}: neither the configuration nor the store has such a machine"
            f"{nearest(asked, known)}; there are {', '.join(known)} ({settings.site})"
        )
    return [asked]


def _written(output: Path, history: History, machines: list[str], span: Span) -> int:
    """Write a new file and give its rows; one without rows or not whole is taken away again."""
    rows = 0
    try:
        raw = output.open("xb")
    except FileExistsError:
        raise UsageError(
            f"{output} is already there; a capture is never written over. Choose another name."
        ) from None
    except OSError as error:
        raise UsageError(f"cannot write {output}: {error.strerror}") from error
    done = False
    try:
        with ExitStack() as stack:
            stack.enter_context(raw)
            rows = _write(_Out(output, raw, stack), history, machines, span)
        done = True
    except OSError as error:
        raise CondmonError(f"cannot write {output}: {error.strerror or error}") from error
    finally:
        if not done or not rows:
            output.unlink(missing_ok=True)
    return rows


def _write(out: "_Out", history: History, machines: list[str], span: Span) -> int:
    rows = 0
    for from_us, to_us in slices(span):
        names, columns = history.span(from_us, to_us, machines)
        if len(columns.at_us):
            out.write(_table(names, columns))
            rows += len(columns.at_us)
    return rows


def slices(span: Span) -> Iterator[Span]:
    """Cut a span so that memory holds one piece."""
    at_us = span[0]
    while at_us < span[1]:
        end_us = min(span[1], (at_us // SLICE_US + 1) * SLICE_US)
        yield at_us, end_us
        at_us = end_us


def _table(names: list[Name], columns: Columns) -> Any:
    """Columns as the table of a capture: words for names and quality, null where no value was."""
    import pyarrow as pa

    def words(codes: Any, of: list[str]) -> Any:
        return pa.DictionaryArray.from_arrays(pa.array(codes.astype("int32")), pa.array(of))

    nothing = (columns.quality == BAD) | (columns.quality == NODATA)
    return pa.table(
        {
            "time": pa.array(columns.at_us, pa.timestamp("us", "UTC")),
            "machine": words(columns.number, [machine for machine, _ in names]),
            "signal": words(columns.number, [signal for _, signal in names]),
            "value": pa.array(columns.value, mask=nothing),
            "quality": words(columns.quality, list(QUALITIES)),
        }
    )


class _Out:
    """A new file that takes tables one after another."""

    def __init__(self, path: Path, raw: Any, stack: ExitStack) -> None:
        if path.suffix == ".gz":
            raw = stack.enter_context(gzip.GzipFile(fileobj=raw, mode="wb", mtime=0))
        self._raw, self._stack = raw, stack
        self._csv = ".csv" in path.suffixes[-2:]
        self._writer: Any = None

    def write(self, table: Any) -> None:
        """Add rows, which are later than all before."""
        import pyarrow as pa
        import pyarrow.csv as pacsv
        import pyarrow.parquet as pq

        if self._csv:
            plain = {"machine": pa.string(), "signal": pa.string(), "quality": pa.string()}
            fields = [pa.field(f.name, plain.get(f.name, f.type)) for f in table.schema]
            table = table.cast(pa.schema(fields))
            table = table.set_column(0, "time", _time_texts(table.column("time")))
        if self._writer is None:
            sink = pa.PythonFile(self._raw, "w")
            if self._csv:
                self._writer = pacsv.CSVWriter(sink, table.schema)
            else:
                self._writer = pq.ParquetWriter(
                    sink, table.schema, compression="zstd", compression_level=3,
                    use_dictionary=["machine", "signal", "value", "quality"],
                    column_encoding={"time": "DELTA_BINARY_PACKED"},
                )  # fmt: skip
            self._stack.enter_context(self._writer)
        self._writer.write_table(table)


def _time_texts(column: Any) -> Any:
    """RFC 3339 with all six places, in UTC."""
    import pyarrow as pa
    import pyarrow.compute as pc

    return pc.strftime(column.cast(pa.timestamp("us", "UTC")), format="%Y-%m-%dT%H:%M:%SZ")
