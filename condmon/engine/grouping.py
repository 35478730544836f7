"""Rows of each number in a column, each in the order in which they stand. Pure."""

from collections.abc import Iterator

import numpy as np

from condmon.engine.records import I32, I64

_SHORT = 1 << 15


def rows_of_each(number: I64 | I32, rows: I64 | None = None) -> Iterator[tuple[int, I64]]:
    """(number, its rows), numbers ascending; with `rows`, of these rows alone.

    Numbers count signals or columns, so that they nearly always fit into 16 bits, which numpy
    sorts by their digits, several times faster than wider ones.
    """
    if rows is not None:
        number = number[rows]
    if not len(number):
        return
    short = int(number.max()) < _SHORT and int(number.min()) >= 0
    order = np.argsort(number.astype(np.int16) if short else number, kind="stable")
    sorted_ = number[order]
    starts = np.flatnonzero(sorted_[1:] != sorted_[:-1]) + 1
    firsts = [0, *starts.tolist()]
    places = order if rows is None else rows[order]
    yield from zip(sorted_[firsts].tolist(), np.split(places, starts), strict=True)
