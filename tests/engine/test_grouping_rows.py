"""Rows of each number: as a plain loop finds them, in 16 bits and beyond."""

import numpy as np
import pytest

from condmon.engine.grouping import rows_of_each


@pytest.mark.parametrize("factor", [1, 40_000, -1])
def test_rows_stand_as_they_came_below_each_number(factor):
    rng = np.random.default_rng(5)
    number = rng.integers(0, 7, 500) * factor
    plain: dict[int, list[int]] = {}
    for row, one in enumerate(number.tolist()):
        plain.setdefault(one, []).append(row)
    found = [(one, rows.tolist()) for one, rows in rows_of_each(number)]
    assert sorted(plain.items()) == found
    some = np.arange(100, 300)
    found = [(one, rows.tolist()) for one, rows in rows_of_each(number, some)]
    assert [(k, [r for r in v if 100 <= r < 300]) for k, v in sorted(plain.items())] == found
    assert [] == list(rows_of_each(number[:0]))
