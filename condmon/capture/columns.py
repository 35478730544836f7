"""Columns of a capture into columns of samples: times, names, numbers and words."""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from condmon.capture.files import NAMED_MAX, Notes
from condmon.engine.records import (
    BAD,
    F64,
    GOOD,
    I32,
    I64,
    NO_TIME,
    NODATA,
    QUALITIES,
    REASONS,
    SUSPECT,
    Samples,
)
from condmon.engine.settings import Settings
from condmon.engine.timetext import instant
from condmon.engine.values import reader
from condmon.errors import UsageError

_NUMBER = r"^\s*[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?\s*$"
RAW_BYTES = 64


@dataclass(slots=True)
class Samplesheet:
    """Samples sorted by time and, for each, which word stood there (-1: a number)."""

    samples: Samples
    word: I32
    words: list[str]

    def run(self, start: int, stop: int) -> Samples:
        """Rows [start, stop) as a record, with the words of refused ones."""
        part = self.samples.cut(start, stop)
        rows = np.flatnonzero((part.quality == BAD) & (self.word[start:stop] >= 0))
        raw = tuple(
            (int(row), self.words[self.word[start + row]].encode()[:RAW_BYTES]) for row in rows
        )
        return Samples(
            part.signal, part.arrived_us, part.own_us, part.value, part.quality, part.mark,
            part.reason, raw,
        )  # fmt: skip


def sheet(table: pa.Table, settings: Settings, notes: Notes, path: Path) -> Samplesheet:
    """Samples of a table in order of time; rows of unknown names or without a time are counted."""
    at_us = times_us(table.column("time"), path)
    signal = _signals(table, settings, notes, path)
    untimed = int(np.count_nonzero(at_us == NO_TIME))
    if untimed:
        notes.warn(f"{path}: {untimed} rows have no time; they were put aside")
    usable = (signal >= 0) & (at_us != NO_TIME)
    kept: I64 | None = None  # None: nothing to leave out and nothing to sort
    if usable.all() and not np.any(at_us[1:] < at_us[:-1]):
        value, word, words = _values(table.column("value"))
        index = signal.astype(np.int32)
    else:
        kept = np.flatnonzero(usable)
        kept = kept[np.argsort(at_us[kept], kind="stable")]
        value, word, words = _values(table.column("value").take(pa.array(kept)))
        at_us, index = at_us[kept], signal[kept].astype(np.int32)
    quality, reason = _read(value, word, words, index, settings)
    if "quality" in table.column_names:
        told = _quality(table.column("quality"), path)
        _lower(told if kept is None else told[kept], value, quality, reason)
    n = len(at_us)
    samples = Samples(
        index, at_us, np.full(n, NO_TIME, np.int64), value, quality,
        np.zeros(n, np.uint16), reason,
    )  # fmt: skip
    return Samplesheet(samples, word, words)


def times_us(column: pa.ChunkedArray, path: Path) -> I64:
    """Microseconds of UTC, shape (n,); NO_TIME where there is none."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
        kind = column.type
    if pa.types.is_timestamp(kind):
        return _whole(column.cast(pa.timestamp("us", kind.tz), safe=False).cast(pa.int64()))
    if pa.types.is_integer(kind):
        return _epochs(_whole(column.cast(pa.int64())))
    if pa.types.is_floating(kind):
        seconds: F64 = column.cast(pa.float64()).to_numpy()
        known = np.isfinite(seconds) & (np.abs(seconds) < 1e11)
        return np.where(known, np.rint(np.where(known, seconds, 0) * 1e6), NO_TIME).astype(np.int64)
    if pa.types.is_string(kind) or pa.types.is_large_string(kind):
        return _time_texts(column, path)
    raise UsageError(f"{path}: the column time is of type {kind}, which is no time")


def _epochs(number: I64) -> I64:
    """Whole numbers since 1970 in s, ms, us or ns, told by their size as in `timetext`."""
    size = np.abs(number)
    out = np.select(
        [number == NO_TIME, size < 10**11, size < 10**14, size < 10**17],
        [number, number * 1_000_000, number * 1000, number],
        number // 1000,
    )
    return out.astype(np.int64)


def _time_texts(column: pa.ChunkedArray, path: Path) -> I64:
    for kind in (pa.timestamp("us", "UTC"), pa.timestamp("us")):
        try:
            return _whole(column.cast(kind).cast(pa.int64()))
        except pa.ArrowInvalid:
            continue
    names, code = _coded(column)
    known = np.array([instant(name, 0)[0] for name in names] + [NO_TIME], np.int64)
    wrong = [
        name for name, at in zip(names, known.tolist(), strict=False) if at == NO_TIME and name
    ]
    if wrong:
        row = int(np.flatnonzero(code == names.index(wrong[0]))[0])
        raise UsageError(
            f"{path}: row {row + 1} of the capture: {wrong[0]!r:.60} is no time; use RFC 3339, "
            "such as 2026-11-25T02:00:00Z, or seconds since 1970"
        )
    return known[code]


def _signals(table: pa.Table, settings: Settings, notes: Notes, path: Path) -> I64:
    """Index of each row's signal, -1 where the configuration has none such; shape (n,)."""
    machines, machine = _coded(table.column("machine"))
    names, name = _coded(table.column("signal"))
    place = {(s.machine, s.name): s.index for s in settings.signals}
    pair: I64 = machine * len(names) + name
    nameless = (machine < 0) | (name < 0)
    if nameless.any():
        pair[nameless] = -1
        count = np.bincount(pair[~nameless], minlength=len(machines) * len(names))
    else:
        count = np.bincount(pair, minlength=len(machines) * len(names))
    index = np.full(len(count) + 1, -1, np.int64)  # the last one is for rows without a name
    unknown: dict[str, int] = {}
    for at in np.flatnonzero(count).tolist():
        key = (machines[at // len(names)], names[at % len(names)])
        index[at] = place.get(key, -1)
        if index[at] < 0:
            unknown["/".join(key)] = int(count[at])
    if nameless.any():
        unknown["(no name)"] = int(np.count_nonzero(nameless))
    if unknown:
        notes.rows_unknown += sum(unknown.values())
        shown = ", ".join(f"{key} ({n} rows)" for key, n in sorted(unknown.items())[:NAMED_MAX])
        more = " and more" if len(unknown) > NAMED_MAX else ""
        notes.warn(f"{path}: not in the configuration, put aside: {shown}{more}")
    return index[pair]


def _values(column: pa.ChunkedArray) -> tuple[F64, I32, list[str]]:
    """Numbers (NaN where none), and the words where there are no numbers."""
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
        kind = column.type
    if not (pa.types.is_string(kind) or pa.types.is_large_string(kind)):
        number = column.cast(pa.float64(), safe=False) if not pa.types.is_boolean(kind) else (
            column.cast(pa.uint8()).cast(pa.float64())
        )  # fmt: skip
        value: F64 = number.to_numpy().astype(np.float64)
        word = np.full(len(value), -1, np.int32)
        word[pc.is_null(column).to_numpy()] = -2
        return value, word, []
    plain = pc.match_substring_regex(column, _NUMBER)
    number = pc.utf8_trim_whitespace(pc.if_else(plain, column, pa.scalar(None, kind)))
    value = number.cast(pa.float64()).to_numpy().astype(np.float64)
    words, code = _coded(pc.if_else(plain, pa.scalar(None, kind), column))
    word = code.astype(np.int32)
    word[pc.is_null(column).to_numpy()] = -2
    return value, word, words


def _read(
    value: F64, word: I32, words: list[str], signal: I32, settings: Settings
) -> tuple[Any, Any]:
    """Quality and reason of each value; words are read by the signal's own reader, once each."""
    quality = np.zeros(len(value), np.uint8)
    reason = np.zeros(len(value), np.uint8)
    state = np.array([s.kind == "state" for s in settings.signals] or [False], bool)
    wrong = ~np.isfinite(value)
    _refuse(wrong, BAD, "not finite", value, quality, reason)
    strange = ~wrong & state[signal] & (value != 0.0) & (value != 1.0)
    _refuse(strange, BAD, "unknown word", value, quality, reason)
    _refuse(word == -2, NODATA, "says it has no value", value, quality, reason)
    rows = np.flatnonzero(word >= 0) if words else np.empty(0, np.int64)
    pairs, back = np.unique(signal[rows].astype(np.int64) * len(words or [""]) + word[rows],
                            return_inverse=True)  # fmt: skip
    readers = {s.index: reader(s) for s in settings.signals}
    read = [
        readers[int(pair) // len(words)].of_bytes(words[int(pair) % len(words)].encode())
        for pair in pairs
    ]
    for column, part in ((value, 0), (quality, 1), (reason, 2)):
        if len(rows):
            column[rows] = np.array([one[part] for one in read])[back]
    return quality, reason


def _quality(column: pa.ChunkedArray, path: Path) -> I64:
    if pa.types.is_integer(column.type):
        told = column.cast(pa.int64()).fill_null(GOOD).to_numpy()
        known = np.isin(told, range(len(QUALITIES)))
    else:
        names, code = _coded(column)
        table = {name: place for place, name in enumerate(QUALITIES)} | {"": GOOD}
        told = np.array([table.get(name, -1) for name in names] + [GOOD], np.int64)[code]
        known = told >= 0
    if not np.all(known):
        row = int(np.flatnonzero(~known)[0])
        raise UsageError(
            f"{path}: row {row + 1} of the capture: {column[row].as_py()!r} is no quality; "
            f"known are {', '.join(QUALITIES)}"
        )
    return np.asarray(told, np.int64)


def _lower(told: I64, value: F64, quality: Any, reason: Any) -> None:
    """Take over a quality that was told, where it is worse than what the value itself gives."""
    _refuse((told == BAD) & (quality != BAD), BAD, "recorded as bad", value, quality, reason)
    _refuse((told == NODATA) & (quality != NODATA), NODATA, "says it has no value",
            value, quality, reason)  # fmt: skip
    quality[(told == SUSPECT) & (quality == GOOD)] = SUSPECT


def _refuse(rows: Any, to: int, why: str, value: F64, quality: Any, reason: Any) -> None:
    value[rows], quality[rows], reason[rows] = np.nan, to, REASONS.index(why)


def _coded(column: pa.ChunkedArray) -> tuple[list[str], I64]:
    """Names and, for each row, which of them it has; -1 for none."""
    kind = column.type
    plain = kind.value_type if pa.types.is_dictionary(kind) else kind
    if not (pa.types.is_string(plain) or pa.types.is_large_string(plain)):
        column = column.cast(pa.string())
    if not pa.types.is_dictionary(column.type):
        column = pc.dictionary_encode(column)
    array = column.unify_dictionaries().combine_chunks()
    if isinstance(array, pa.ChunkedArray):
        array = array.chunk(0) if array.num_chunks else pa.array([], column.type)
    code = array.indices.fill_null(-1).to_numpy(zero_copy_only=False).astype(np.int64)
    return array.dictionary.to_pylist(), code


def _whole(column: pa.ChunkedArray) -> I64:
    numbers: I64 = column.fill_null(NO_TIME).to_numpy()
    return numbers
