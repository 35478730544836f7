"""The wire format of Protocol Buffers: bytes into numbered fields. Pure.

Only reading, and only what the format itself says: what a field means is the caller's business.
Written from the public description of the encoding (varint, fixed, length-delimited).
"""

import struct
from collections.abc import Iterator

Raw = int | bytes
"""A varint or a fixed field as an unsigned number, or the bytes of a length-delimited one."""

_VARINT, _FIXED64, _BYTES, _FIXED32 = 0, 1, 2, 5
_VARINT_BYTES_MAX = 10
_64_BITS = 2**64 - 1


class WireError(ValueError):
    """These bytes are no such message, or not a whole one."""


def fields(message: bytes) -> Iterator[tuple[int, Raw]]:
    """Give the fields of a message in their order, as (number, value). Raises WireError.

    One walk through the bytes; groups, which nobody has written for many years, are refused.
    """
    at, end = 0, len(message)
    while at < end:
        tag, at = _varint(message, at)
        number, form = tag >> 3, tag & 7
        if not number:
            raise WireError("a field with the number 0")
        if form == _VARINT:
            value, at = _varint(message, at)
            yield number, value
            continue
        if form == _BYTES:
            length, at = _varint(message, at)
        elif form in {_FIXED64, _FIXED32}:
            length = 8 if form == _FIXED64 else 4
        else:
            raise WireError(f"a field of the unknown form {form}")
        if length > end - at:
            raise WireError("it ends in the middle of a field")
        content = message[at : at + length]
        at += length
        yield number, content if form == _BYTES else int.from_bytes(content, "little")


def _varint(message: bytes, at: int) -> tuple[int, int]:
    """Read a varint at a place; its value and the place behind it."""
    value = 0
    for step in range(_VARINT_BYTES_MAX):
        if at + step >= len(message):
            raise WireError("it ends in the middle of a number")
        byte = message[at + step]
        value |= (byte & 0x7F) << (7 * step)
        if byte < 0x80:
            return value & _64_BITS, at + step + 1
    raise WireError("a number without an end")


def signed(value: int, bits: int) -> int:
    """Take the low `bits` of a number as two's complement, however wide it was sent."""
    value &= (1 << bits) - 1
    return value - (1 << bits) if value >> (bits - 1) else value


def float_of(value: int, *, double: bool) -> float:
    """Take the bits of a fixed field as an IEEE 754 number."""
    found: tuple[float] = (
        struct.unpack("<d", struct.pack("<Q", value & _64_BITS))
        if double
        else struct.unpack("<f", struct.pack("<I", value & 0xFFFFFFFF))
    )
    return found[0]
