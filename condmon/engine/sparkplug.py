"""Sparkplug B payloads: what the fields of one message mean. Pure.

Follows the Sparkplug 3.0.0 specification (Eclipse Foundation), chapter 6. Negative numbers are
two's complement; encoders differ in how wide they send them, so the low bits of the type count.
"""

import struct
from typing import Final, NamedTuple

from condmon.engine.wire import Raw, WireError, fields, float_of, signed

Scalar = int | float | bool | str
UNKNOWN_TYPE: Final = object()
"""What `value` answers when a number came whose type nobody has told: no sign can be guessed."""
NO_SCALAR: Final = object()
"""What `value` answers for tables, templates, files and values that do not fit their type."""

METRICS_MAX = 20_000
"""Metrics of one message that are looked at; the largest machine has a few thousand."""

QUALITY_GOOD, QUALITY_BAD = 192, 0

_SIGNED = {1: 8, 2: 16, 3: 32, 4: 64}
_UNSIGNED = {5: 8, 6: 16, 7: 32, 8: 64, 13: 64}  # 13 is an instant in milliseconds
_FLOAT, _DOUBLE, _BOOLEAN = 9, 10, 11
_TEXTS = {12, 14, 15}
_ARRAYS = {
    22: "b", 23: "h", 24: "i", 25: "q", 26: "B", 27: "H", 28: "I", 29: "Q", 30: "f", 31: "d",
}  # fmt: skip
_BOOLEANS = 32

# field numbers of a metric
_INT, _LONG, _FLOAT_AT, _DOUBLE_AT, _BOOLEAN_AT, _STRING_AT, _BYTES_AT = range(10, 17)


class Metric(NamedTuple):
    """One metric of a message; None where the message does not say."""

    name: str | None
    alias: int | None
    at_ms: int | None
    type: int | None
    historical: bool
    transient: bool
    null: bool
    quality: int | None
    raw: dict[int, Raw]  # value fields by number


class Payload(NamedTuple):
    """One message; None where it does not say."""

    at_ms: int | None
    seq: int | None
    metrics: list[Metric]


def payload(message: bytes) -> Payload:
    """Read a message. Raises WireError when it is none."""
    at_ms: int | None = None
    seq: int | None = None
    metrics: list[Metric] = []
    for number, given in fields(message):
        if number == 1:
            at_ms = _whole(given)
        elif number == 3:
            seq = _whole(given)
        elif number == 2:
            if len(metrics) >= METRICS_MAX:
                raise WireError("more metrics than any machine has")
            metrics.append(_metric(_bytes(given)))
    return Payload(at_ms, seq, metrics)


def _metric(message: bytes) -> Metric:
    found: dict[int, Raw] = dict(fields(message))  # of a field sent twice the last one counts
    name = found.get(1)
    told = found.get(9)
    return Metric(
        None if name is None else _text(_bytes(name)),
        _maybe(found.get(2)),
        _maybe(found.get(3)),
        _maybe(found.get(4)),
        bool(_maybe(found.get(5))),
        bool(_maybe(found.get(6))),
        bool(_maybe(found.get(7))),
        None if told is None else _quality(_bytes(told)),
        {number: given for number, given in found.items() if _INT <= number <= _BYTES_AT},
    )


def _quality(message: bytes) -> int | None:
    """Read the property "Quality" of a property set: 192 good, 0 bad, 500 stale."""
    keys = [_text(_bytes(given)) for number, given in fields(message) if number == 1]
    values = [_bytes(given) for number, given in fields(message) if number == 2]
    for key, value in zip(keys, values, strict=False):
        if key == "Quality":
            found = dict(fields(value))
            number = found.get(3, found.get(4))
            return None if number is None else signed(_whole(number), 32)
    return None


def value(metric: Metric, kind: int | None) -> object:
    """Read the value of a metric as a scalar or a list of them, None when it holds none.

    `kind` is the data type of the metric's birth; the metric's own counts first. UNKNOWN_TYPE and
    NO_SCALAR where there is nothing that could be believed.
    """
    kind = metric.type or kind
    if not metric.raw:
        return None
    if not kind:
        return _untyped(metric.raw)
    raw = next(iter(metric.raw.items()))
    if kind in _SIGNED or kind in _UNSIGNED:
        number = metric.raw.get(_INT, metric.raw.get(_LONG))
        if not isinstance(number, int):
            return NO_SCALAR
        bits = _SIGNED.get(kind)
        return signed(number, bits) if bits else number & ((1 << _UNSIGNED[kind]) - 1)
    if kind in {_FLOAT, _DOUBLE, _BOOLEAN} or kind in _TEXTS:
        return _plain(*raw)
    content = metric.raw.get(_BYTES_AT)
    if isinstance(content, bytes):
        return _array(content, kind)
    return NO_SCALAR


def _untyped(raw: dict[int, Raw]) -> object:
    """Read a value whose field alone tells what it is; a whole number has no sign then."""
    at, given = next(iter(raw.items()))
    return UNKNOWN_TYPE if at in {_INT, _LONG} else _plain(at, given)


def _plain(at: int, given: Raw) -> object:
    if at == _FLOAT_AT and isinstance(given, int):
        return float_of(given, double=False)
    if at == _DOUBLE_AT and isinstance(given, int):
        return float_of(given, double=True)
    if at == _BOOLEAN_AT and isinstance(given, int):
        return bool(given)
    if at == _STRING_AT and isinstance(given, bytes):
        text = _text(given)
        return NO_SCALAR if text is None else text
    return NO_SCALAR


def _array(content: bytes, kind: int) -> object:
    """Read an array: little endian, its length a multiple of the element's."""
    if kind == _BOOLEANS:
        return _booleans(content)
    letter = _ARRAYS.get(kind)
    if letter is None or len(content) % struct.calcsize(f"<{letter}"):
        return NO_SCALAR
    return [number for (number,) in struct.iter_unpack(f"<{letter}", content)]


def _booleans(content: bytes) -> object:
    """Read packed bits: a count of four bytes, then the most significant bit first."""
    if len(content) < 4:
        return NO_SCALAR
    count = int.from_bytes(content[:4], "little")
    if (count + 7) // 8 != len(content) - 4:
        return NO_SCALAR
    return [bool(content[4 + n // 8] >> (7 - n % 8) & 1) for n in range(count)]


def _whole(given: Raw) -> int:
    if not isinstance(given, int):
        raise WireError("a text where a number belongs")
    return given


def _maybe(given: Raw | None) -> int | None:
    return None if given is None else _whole(given)


def _bytes(given: Raw) -> bytes:
    if not isinstance(given, bytes):
        raise WireError("a number where a text belongs")
    return given


def _text(given: bytes) -> str | None:
    try:
        return given.decode()
    except UnicodeDecodeError:
        return None
