"""Numbers with a decimal point as whole numbers and back, the same to the bit.

What sensors send has a few places behind the point, but as binary fractions such numbers share
nothing that a packer could find; as whole numbers they pack to half. So a column `value` is kept as
`value_number` over ten to the power `value_places`, and what does not come back from that as it
was (1/3, NaN, -0.0, infinity) stands in `value`, which is null elsewhere. Loads pyarrow when used.
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from condmon.engine.records import F64, I64

if TYPE_CHECKING:
    import pyarrow as pa

NUMBER, PLACES = "_number", "_places"
PLACES_MAX = 9
_WHOLE_MAX = 2.0**53
_TENS = 10.0 ** np.arange(PLACES_MAX + 1)  # all exact
Mask = NDArray[np.bool_]


def taken_apart(value: F64) -> tuple[I64, int, Mask]:
    """Whole numbers, how many places they have, and which rows these give back; of shape (n,).

    Where the last is False the number is 0 and means nothing.
    """
    found = np.zeros(len(value), np.int64), 0, np.zeros(len(value), bool)
    most, finite = 0, int(np.count_nonzero(np.isfinite(value)))
    for places in range(PLACES_MAX + 1):
        if most == finite:
            break
        with np.errstate(invalid="ignore", over="ignore"):
            number = np.rint(value * _TENS[places])
            small = np.abs(number) < _WHOLE_MAX
        whole = np.where(small, number, 0.0).astype(np.int64)
        back = small & (_bits(whole / _TENS[places]) == _bits(value))
        if (count := int(np.count_nonzero(back))) > most:
            found, most = (np.where(back, whole, 0), places, back), count
    return found


def put_together(number: I64, places: NDArray[Any], back: Mask, value: F64) -> F64:
    """The numbers again, shape (n,): `number` where `back` says so, else `value`."""
    return np.where(back, number / _TENS[places], value)


def parts(name: str, value: F64) -> "dict[str, pa.Array]":
    """The three columns of a column of numbers."""
    import pyarrow as pa

    number, places, back = taken_apart(value)
    return {
        name + NUMBER: pa.array(number, mask=~back),
        name + PLACES: pa.array(np.full(len(value), places, np.uint8)),
        name: pa.array(value, mask=back),
    }


def are_parts(names: Mapping[str, Any] | list[str], name: str) -> bool:
    """Whether a column of numbers is kept as three."""
    return name + NUMBER in names and name + PLACES in names


def whole(table: "pa.Table", name: str) -> F64:
    """A column of numbers out of its three, shape (n,)."""
    number, places = table.column(name + NUMBER), table.column(name + PLACES)
    back = number.is_valid().to_numpy()
    return put_together(
        number.fill_null(0).to_numpy(),
        np.minimum(places.to_numpy(), PLACES_MAX),
        back,
        table.column(name).fill_null(np.nan).to_numpy(),
    )


def _bits(value: F64) -> I64:
    return np.ascontiguousarray(value, np.float64).view(np.int64)
