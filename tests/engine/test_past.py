"""What is usual: a day's values are bounded, and no cut of the stream shows."""

import numpy as np
import pytest

from condmon.engine.minutely import DAY_MIN
from condmon.engine.past import DAY_VALUES_MAX, READY_DAYS, Past


def fed(values: np.ndarray, cuts: list[int]) -> Past:
    """A past that got the values of one day in these pieces, through a restart between two."""
    past = Past()
    for piece in np.split(values, cuts):
        past.push(np.full(len(piece), 60, np.int64), piece)
        again = Past()
        again.load(past.state())
        past = again
    return past


@pytest.mark.parametrize("seed", range(5))
def test_values_thinned_over_a_day_are_the_same_however_they_come(seed):
    rng = np.random.default_rng(seed)
    values = rng.normal(2.0, 0.1, 30_000)
    cuts = sorted(rng.integers(0, len(values), 40).tolist())
    one, many = fed(values, []).state(), fed(values, cuts).state()
    assert one[0] == many[0]
    assert one[1].tolist() == many[1].tolist()
    assert one[2:3] + one[4:] == many[2:3] + many[4:]
    assert values[:: one[4][0]].tolist() == one[1].tolist()


def test_source_that_repeats_itself_takes_no_more_memory_than_a_day_of_minutes():
    rng = np.random.default_rng(7)
    past = Past()
    for day in range(READY_DAYS + 1):
        for _ in range(200):
            past.push(np.full(1000, day * DAY_MIN, np.int64), rng.normal(2.0, 0.1, 1000))
            assert DAY_VALUES_MAX >= len(past.state()[1])
    assert past.usual() == pytest.approx(2.0, abs=0.01)


def test_day_of_minutes_is_kept_whole():
    values = np.arange(float(DAY_MIN))
    assert values.tolist() == fed(values, [100, 1000]).state()[1].tolist()


def test_state_of_before_values_were_thinned_is_taken_up():
    past = Past()
    past.load([3, np.array([1.0, 2.0]), [5.0], np.array([2.0])])
    past.push(np.array([3 * DAY_MIN + 5], np.int64), np.array([4.0]))
    assert [1.0, 2.0, 4.0] == past.state()[1].tolist()
