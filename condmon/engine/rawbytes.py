"""Numbers in raw bytes, where the configuration says how they lie. Pure.

A wrong order of bytes gives a number all the same, so it can only be seen by its size: the
plausible range of the signal, and here the tiny floats that no sensor sends.
"""

import struct

from condmon.engine.settings import Binary
from condmon.engine.values import IMPLAUSIBLE, WRONG_LENGTH, Value

_LETTERS = {
    "int16": "h", "uint16": "H", "int32": "i", "uint32": "I", "float32": "f", "float64": "d",
}  # fmt: skip
TINY = 1e-30
"""Below this a float that is not 0 is a sign of swapped bytes: 24.1 read wrongly is 4.6e-41."""


class BytesReader:
    """Reads one number, or without a place as many as the payload holds."""

    def __init__(self, form: Binary) -> None:
        self._struct = struct.Struct(("<" if form.order == "little" else ">") + _LETTERS[form.type])
        self._swapped = form.swapped
        self._at = form.at
        self._float = form.type.startswith("float")

    def read(self, payload: bytes) -> list[int | float | Value]:
        """Give the numbers of a payload; a `Value` in place of what cannot be one."""
        size = self._struct.size
        if self._at is not None:
            payload = payload[self._at : self._at + size]
        if not payload or len(payload) % size or (self._at is not None and len(payload) != size):
            return [WRONG_LENGTH]
        if self._swapped:
            payload = self._in_order(payload)
        return [self._judged(number) for (number,) in self._struct.iter_unpack(payload)]

    def _in_order(self, payload: bytes) -> bytes:
        """Put the 16-bit words of each number back into the order of its bytes."""
        size = self._struct.size
        return b"".join(
            payload[end - 2 : end]
            for start in range(0, len(payload), size)
            for end in range(start + size, start, -2)
        )

    def _judged(self, number: float) -> int | float | Value:
        return IMPLAUSIBLE if self._float and 0 < abs(number) < TINY else number
