"""A CSV from elsewhere, read by a mapping into the table of a capture; trouble is told by place."""

import csv
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv

from condmon.capture.files import CutOffError, Opened
from condmon.capture.mapping import Mapping, Target
from condmon.clock import SiteCalendar
from condmon.engine.records import BAD, I64, NO_TIME, REASONS
from condmon.engine.settings import Settings, Signal
from condmon.engine.timetext import ZoneOffset, instant, to_utc
from condmon.engine.units import convert
from condmon.engine.values import reader
from condmon.engine.words import nearest
from condmon.errors import UsageError

NAMED_MAX = 5
_NUMBER = r"^\s*[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?\s*$"


class Foreign:
    """One file and its mapping.

    Attributes
    ----------
    warnings : list of str
        Cells that could not be used, by line and column.
    """

    def __init__(self, opened: Opened, mapping: Mapping, settings: Settings) -> None:
        self.path, self.warnings = opened.path, list[str]()
        self._mapping, self._settings = mapping, settings
        self._by_name = {f"{s.machine}/{s.name}": s for s in settings.signals}
        calendar = SiteCalendar(mapping.timezone) if mapping.timezone else settings.calendar
        self._zone: ZoneOffset | None = (
            calendar.offset_s if isinstance(calendar, SiteCalendar) else None
        )
        try:
            content = opened.content()
        except CutOffError as error:
            raise UsageError(f"{self.path}: the file is cut off: {error}") from None
        self._cells = _cells(content, mapping, self.path)

    def table(self) -> pa.Table:
        """Columns time, machine, signal, value, as a capture has them. Raises UsageError."""
        at_us = self._times()
        parts = self._long(at_us) if self._mapping.long else self._wide(at_us)
        if not parts:
            raise UsageError(f"{self.path}: no cell of the mapped columns holds anything")
        return pa.concat_tables(parts)

    # times

    def _times(self) -> I64:
        columns = [self._column(name, "time") for name in self._mapping.time]
        texts: list[str] = columns[0].fill_null("").to_pylist()
        for more in columns[1:]:
            texts = [f"{a} {b or ''}" for a, b in zip(texts, more.to_pylist(), strict=True)]
        out = np.fromiter((self._instant(text) for text in texts), np.int64, len(texts))
        filled = np.array([bool(text.strip()) for text in texts], bool)
        wrong = np.flatnonzero((out == NO_TIME) & filled)
        if len(wrong):
            row = int(wrong[0])
            how = f"does not look like {self._mapping.time_format!r}" if (
                self._mapping.time_format
            ) else "is no time; say time_format in the mapping"  # fmt: skip
            raise UsageError(
                f"{self.path}: line {self._line(row)}, column {self._mapping.time[0]!r}: "
                f"{texts[row]!r:.60} {how}"
            )
        return out

    def _instant(self, text: str) -> int:
        given = self._mapping.time_format
        if not given:
            return instant(text, 0, self._zone)[0]
        try:
            read = datetime.strptime(text.strip(), given)  # noqa: DTZ007 - the zone follows
        except ValueError:
            return NO_TIME
        if read.tzinfo is not None or self._zone is None:
            return round((read if read.tzinfo else read.replace(tzinfo=UTC)).timestamp() * 1e6)
        local = read.replace(tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)
        local_us = (local.days * 86_400 + local.seconds) * 1_000_000 + local.microseconds
        return to_utc(local_us, 0, self._zone)

    # values

    def _wide(self, at_us: I64) -> list[pa.Table]:
        parts = []
        for column, target in self._mapping.signals.items():
            signal = self._signal(target, f"signals.{column}")
            parts += self._part(self._column(column, f"signals.{column}"), at_us, signal, target,
                                column)  # fmt: skip
        return parts

    def _long(self, at_us: I64) -> list[pa.Table]:
        mapping = self._mapping
        tags = pc.dictionary_encode(self._column(mapping.signal_column, "signal_column"))
        tags = tags.combine_chunks() if isinstance(tags, pa.ChunkedArray) else tags
        values = self._column(mapping.value_column, "value_column")
        machines = self._machines(len(at_us))
        code = tags.indices.fill_null(-1).to_numpy(zero_copy_only=False)
        parts: list[pa.Table] = []
        for place, tag in enumerate(tags.dictionary.to_pylist()):
            target = mapping.signals.get(tag, Target(tag))
            for machine in np.unique(machines[code == place]).tolist():
                rows = np.flatnonzero((code == place) & (machines == machine))
                name = target.signal if "/" in target.signal else f"{machine}/{target.signal}"
                signal = self._by_name.get(name)
                if signal is None:
                    self._warn(f"{name} ({len(rows)} rows) is not in the configuration; put aside")
                    continue
                parts += self._part(values.take(pa.array(rows)), at_us[rows], signal, target,
                                    mapping.value_column, rows)  # fmt: skip
        return parts

    def _machines(self, n: int) -> Any:
        mapping = self._mapping
        if mapping.machine_column:
            told = self._column(mapping.machine_column, "machine_column").fill_null("").to_pylist()
            return np.array(told, dtype=np.str_)
        return np.full(n, mapping.machine or self._only_machine())

    def _part(
        self, cells: Any, at_us: I64, signal: Signal, target: Target, column: str,
        lines: I64 | None = None,
    ) -> list[pa.Table]:  # fmt: skip
        """Cells of one signal that hold something, as rows of a capture."""
        rows = np.flatnonzero(~pc.is_null(cells).to_numpy() & (at_us != NO_TIME))
        if not len(rows):
            return []
        cells = cells.take(pa.array(rows))
        if self._mapping.decimal == ",":
            cells = pc.replace_substring(cells, ",", ".")
        self._look(cells, rows if lines is None else lines[rows], signal, column)
        cells = _scaled(cells, target, signal)
        n = len(rows)
        return [pa.table({
            "time": pa.array(at_us[rows], pa.timestamp("us", "UTC")),
            "machine": pa.array([signal.machine] * n, pa.string()),
            "signal": pa.array([signal.name] * n, pa.string()),
            "value": cells.cast(pa.string()),
        })]  # fmt: skip

    def _look(self, cells: Any, rows: I64, signal: Signal, column: str) -> None:
        """Warn of words that the signal cannot read, the first one by its place."""
        plain = pc.match_substring_regex(cells, _NUMBER).to_numpy()
        odd = np.flatnonzero(~plain) if signal.kind != "state" else np.arange(len(rows))
        words = pc.unique(cells.take(pa.array(odd))).to_pylist()
        read = reader(signal)
        wrong = {w: read.of_bytes(w.encode()) for w in words}
        bad = {w: REASONS[v[2]] for w, v in wrong.items() if v[1] == BAD}
        if not bad:
            return
        hit = np.flatnonzero(pc.is_in(cells, pa.array(list(bad), pa.string())).to_numpy())
        first = cells[int(hit[0])].as_py()
        self._warn(
            f"line {self._line(int(rows[hit[0]]))}, column {column!r}: {first!r:.40} is no value "
            f"of {signal.name} ({bad[first]}); such cells: {len(hit)}, put aside"
        )

    # names and places

    def _signal(self, target: Target, key: str) -> Signal:
        name = target.signal
        if "/" not in name:
            name = f"{self._mapping.machine or self._only_machine()}/{name}"
        found = self._by_name.get(name)
        if found is None:
            raise UsageError(f"{key}: the configuration has no signal {name}"
                             f"{nearest(name, list(self._by_name))}")  # fmt: skip
        return found

    def _only_machine(self) -> str:
        ids = [machine.id for machine in self._settings.machines]
        if len(ids) != 1:
            raise UsageError(f"the mapping has to say which machine: machine = one of "
                             f"{', '.join(ids)}")  # fmt: skip
        return ids[0]

    def _column(self, name: str, key: str) -> Any:
        if name not in self._cells.column_names:
            names = self._cells.column_names
            raise UsageError(f"{self.path}: has no column {name!r} ({key}){nearest(name, names)}; "
                             f"it has {', '.join(names)[:300]}")  # fmt: skip
        return self._cells.column(name)

    def _line(self, row: int) -> int:
        return self._mapping.skip_lines + 2 + row

    def _warn(self, text: str) -> None:
        self.warnings.append(f"{self.path}: {text}")


def _cells(content: bytes, mapping: Mapping, path: Path) -> pa.Table:
    """All cells as text, null where empty."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("latin-1")
    lines = text.split("\n", mapping.skip_lines + 1)
    if len(lines) < mapping.skip_lines + 2:
        raise UsageError(f"{path}: has no line below the {mapping.skip_lines} skipped ones and the "
                         "names of the columns")  # fmt: skip
    names = _names(lines[mapping.skip_lines], mapping, path)
    names = [name.strip() or f"column {place}" for place, name in enumerate(names, 1)]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise UsageError(f"{path}: two columns have one name: {', '.join(twice)}")
    try:
        return pacsv.read_csv(
            pa.BufferReader(lines[-1].encode()),
            pacsv.ReadOptions(use_threads=False, column_names=names),
            pacsv.ParseOptions(delimiter=mapping.delimiter, ignore_empty_lines=False),
            pacsv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.string()), strings_can_be_null=True,
                null_values=[""], quoted_strings_can_be_null=True,
            ),
        )  # fmt: skip
    except pa.ArrowInvalid as error:
        raise UsageError(f"{path}: {_placed(str(error), mapping.skip_lines + 1)}; is the delimiter "
                         f"{mapping.delimiter!r}?") from None  # fmt: skip


def _names(line: str, mapping: Mapping, path: Path) -> list[str]:
    """The cells of the line that names the columns."""
    try:
        return next(csv.reader([line.strip("\r")], delimiter=mapping.delimiter), [])
    except (csv.Error, TypeError) as error:
        raise UsageError(f"{path}: line {mapping.skip_lines + 1}, which names the columns, cannot "
                         f"be read: {error}") from None  # fmt: skip


def _placed(text: str, before: int) -> str:
    """Arrow's words with the line of the file instead of its own count of rows."""
    head, mark, rest = text.split("\n", 1)[0].partition("Row #")
    number, _, words = rest.partition(":")
    return f"line {int(number) + before}: {words.strip()}" if mark and number.isdigit() else head


def _scaled(cells: Any, target: Target, signal: Signal) -> Any:
    """Numbers in the signal's own unit; words stay."""
    if target.unit in {None, signal.unit} and target.scale == 1.0:
        return cells
    zero, one = (convert(x, target.unit or signal.unit, signal.unit) for x in (0.0, 1.0))
    if zero is None or one is None:
        raise UsageError(f"signals: {signal.name} is in {signal.unit}; {target.unit} is a unit of "
                         "another quantity")  # fmt: skip
    plain = pc.match_substring_regex(cells, _NUMBER)
    texts = pc.utf8_trim_whitespace(pc.if_else(plain, cells, pa.scalar(None, pa.string())))
    number = texts.cast(pa.float64()).to_numpy() * target.scale * (one - zero) + zero
    words = pa.array([None if v != v else repr(float(v)) for v in number], pa.string())
    return pc.if_else(plain, words, cells)
