"""One batch of records as bytes, and back, bit for bit. Imports the engine's records only.

Layout: `CM` + version byte + flags byte + crc32 of what follows; then, zlib-compressed where that
pays, the length of the head, the head (JSON: the records in order, control records whole, of the
samples only how many rows) and the columns of all samples of the batch one after another, each in
the smallest integer type that holds it.
"""

import base64
import json
import struct
import zlib
from collections.abc import Callable, Sequence
from dataclasses import fields
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray

from condmon.engine.records import NO_TIME, Record, Samples, samples

VERSION = 1
_MAGIC = b"CM"
_OPENING = struct.Struct("<2sBBI")
_COMPRESSED = 1
_WORTH_TRYING_BYTES = 200  # below this zlib only adds its own frame
_INTEGERS = ("<i1", "<i2", "<i4", "<i8")
_UNPACKED_BYTES_MAX = 512 * 1024 * 1024  # more than a full inbox gives at two bytes a value
_SENSELESS = (
    ValueError, TypeError, LookupError, AttributeError, ArithmeticError, RecursionError,
    struct.error, zlib.error,
)  # fmt: skip
_CONTROL = {kind.__name__: kind for kind in get_args(Record) if kind is not Samples}

Integers = NDArray[np.int64]
Renumber = Callable[[Integers], Integers]


class PackingError(ValueError):
    """These bytes are no batch, or not a whole one."""


def pack(records: Sequence[Record], renumber: Renumber) -> bytes:
    """Bytes of a batch; `renumber` gives the file's own numbers for the signals of a column."""
    runs = [record for record in records if isinstance(record, Samples)]
    head: dict[str, Any] = {"records": [_said(record) for record in records]}
    columns = b""
    if any(len(run) for run in runs):
        head["columns"], columns = _columns(runs, renumber)
    text = json.dumps(head, separators=(",", ":")).encode()
    body = struct.pack("<I", len(text)) + text + columns
    flags = 0
    if len(body) >= _WORTH_TRYING_BYTES:
        smaller = zlib.compress(body, 1)
        if len(smaller) < 0.9 * len(body):
            body, flags = smaller, _COMPRESSED
    return _OPENING.pack(_MAGIC, VERSION, flags, zlib.crc32(body)) + body


def unpack(content: bytes, renumber: Renumber) -> tuple[list[Record], int]:
    """The records of a batch and how many samples were left out.

    `renumber` turns the file's signal numbers into present ones; rows for which it gives -1 belong
    to signals that the settings no longer have and are left out. Raises PackingError.
    """
    try:
        head, columns = _opened(content)
        run = _run(head.get("columns"), columns, renumber)
        return _records(head["records"], run)
    except PackingError:
        raise
    except _SENSELESS as error:
        raise PackingError(f"the content cannot be understood: {error}") from error


def _said(record: Record) -> list[Any]:
    """How the head tells one record."""
    if isinstance(record, Samples):
        raw = [[row, base64.b64encode(text).decode()] for row, text in record.raw]
        return ["Samples", len(record), raw] if raw else ["Samples", len(record)]
    told = {part.name: getattr(record, part.name) for part in fields(record)}
    return [type(record).__name__, told]


def _columns(runs: Sequence[Samples], renumber: Renumber) -> tuple[dict[str, Any], bytes]:
    """All rows of the batch as packed columns, and what is needed to read them."""
    signal = renumber(np.concatenate([run.signal for run in runs]).astype(np.int64))
    arrived = np.concatenate([run.arrived_us for run in runs])
    own = np.concatenate([run.own_us for run in runs])
    timeless = own == NO_TIME
    first = int(arrived[0])
    with np.errstate(over="ignore"):  # wrapping round is undone by wrapping back
        since = arrived - first
        before = np.where(timeless, 0, own - arrived)
    parts = {
        "signal": signal,
        "since": since,
        "timeless": timeless.astype(np.int64),
        "own": before,
        "quality": np.concatenate([run.quality for run in runs]).astype(np.int64),
        "mark": np.concatenate([run.mark for run in runs]).astype(np.int64),
        "reason": np.concatenate([run.reason for run in runs]).astype(np.int64),
    }
    told: dict[str, Any] = {"rows": len(signal), "first_us": first}
    packed = []
    for name, column in parts.items():
        told[name], content = _squeezed(column)
        packed.append(content)
    packed.append(np.concatenate([run.value for run in runs]).astype("<f8").tobytes())
    return told, b"".join(packed)


def _squeezed(column: Integers) -> tuple[str | int, bytes]:
    """A column in the smallest type; a column of one value only is that value alone."""
    low, high = int(column.min()), int(column.max())
    if low == high:
        return low, b""
    for name in _INTEGERS:
        limit = np.iinfo(name)
        if limit.min <= low and high <= limit.max:
            return name, column.astype(name).tobytes()
    raise AssertionError("an int64 fits into the last type")


def _opened(content: bytes) -> tuple[dict[str, Any], memoryview]:
    """The head and the columns behind it, after all checks."""
    if len(content) < _OPENING.size:
        raise PackingError("it is shorter than its opening")
    magic, version, flags, checksum = _OPENING.unpack_from(content)
    body: bytes | memoryview = memoryview(content)[_OPENING.size :]
    if magic != _MAGIC:
        raise PackingError("it does not begin like a batch")
    if version != VERSION:
        raise PackingError(f"it is of version {version}, this program reads version {VERSION}")
    if flags & ~_COMPRESSED:
        raise PackingError("it is packed in a way this program does not know")
    if zlib.crc32(body) != checksum:
        raise PackingError("its checksum is wrong: it is torn or was changed")
    if flags & _COMPRESSED:
        body = zlib.decompressobj().decompress(body, _UNPACKED_BYTES_MAX)
    view = memoryview(body)
    (length,) = struct.unpack_from("<I", view)
    return json.loads(bytes(view[4 : 4 + length])), view[4 + length :]


def _run(told: dict[str, Any] | None, content: memoryview, renumber: Renumber) -> Samples | None:
    """All rows of the batch as one run; signal is -1 where the settings do not have it."""
    if told is None:
        return None
    rows, at = int(told["rows"]), 0
    if rows * 8 > len(content):  # each has a value at least
        raise PackingError("it tells of more rows than it holds")
    columns: dict[str, Integers] = {}
    for name in ("signal", "since", "timeless", "own", "quality", "mark", "reason"):
        how = told[name]
        if isinstance(how, int):
            columns[name] = np.full(rows, how, np.int64)
        elif how in _INTEGERS:
            columns[name] = np.frombuffer(content, how, rows, at).astype(np.int64)
            at += rows * np.dtype(how).itemsize
        else:
            raise PackingError(f"unknown column type {how!r}")
    value = np.frombuffer(content, "<f8", rows, at).astype(np.float64)
    with np.errstate(over="ignore"):
        arrived = columns["since"] + told["first_us"]
        own = np.where(columns["timeless"] != 0, NO_TIME, arrived + columns["own"])
    return Samples(
        renumber(columns["signal"]).astype(np.int32),
        arrived,
        own,
        value,
        columns["quality"].astype(np.uint8),
        columns["mark"].astype(np.uint16),
        columns["reason"].astype(np.uint8),
    )


def _records(said: list[list[Any]], run: Samples | None) -> tuple[list[Record], int]:
    """The records in their order, the run cut back into its parts."""
    records: list[Record] = []
    left_out, at = 0, 0
    for name, told, *rest in said:
        if name != "Samples":
            records.append(_CONTROL[name](**told))
            continue
        raw = tuple((row, base64.b64decode(text)) for row, text in (rest[0] if rest else ()))
        part = samples(()) if told == 0 or run is None else run.cut(at, at + told)
        at += told
        part, lost = _known(part, raw)
        left_out += lost
        if len(part) or not told:
            records.append(part)
    return records, left_out


def _known(part: Samples, raw: tuple[tuple[int, bytes], ...]) -> tuple[Samples, int]:
    """The rows whose signal still exists, and how many do not."""
    keep = part.signal >= 0
    lost = len(part) - int(keep.sum())
    if not lost:
        columns = (
            part.signal,
            part.arrived_us,
            part.own_us,
            part.value,
            part.quality,
            part.mark,
            part.reason,
        )
        return Samples(*columns, raw), 0
    place = np.cumsum(keep) - 1
    kept_raw = tuple((int(place[row]), text) for row, text in raw if keep[row])
    return Samples(
        part.signal[keep],
        part.arrived_us[keep],
        part.own_us[keep],
        part.value[keep],
        part.quality[keep],
        part.mark[keep],
        part.reason[keep],
        kept_raw,
    ), lost
