"""Windows against plain numpy, and the same bits however they are fed."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from condmon.engine import rolling
from condmon.engine.logic import FALSE, TRUE

NAN = float("nan")
NUMBERS = st.lists(st.one_of(st.floats(-1e4, 1e4), st.just(NAN)), min_size=1, max_size=60)


def whole(values, seconds):
    return rolling.Window(seconds).extend(np.array(values, float))


def known(values, at, seconds):
    part = np.array(values[max(0, at + 1 - seconds) : at + 1], float)
    return part[~np.isnan(part)]


@given(NUMBERS, st.integers(1, 20))
def test_mean_lowest_and_highest_agree_with_numpy_on_the_known_ticks(values, seconds):
    ext = whole(values, seconds)
    got = (
        rolling.mean(ext, seconds),
        rolling.extreme(ext, seconds, highest=False),
        rolling.extreme(ext, seconds, highest=True),
    )
    for at in range(len(values)):
        part = known(values, at, seconds)
        if len(part) * 2 < seconds:
            assert all(np.isnan(column[at]) for column in got)
        else:
            assert got[0][at] == pytest.approx(part.mean(), abs=2e-6)
            assert (part.min(), part.max()) == (got[1][at], got[2][at])


@given(st.lists(st.floats(-1e3, 1e3), min_size=30, max_size=60), st.integers(3, 20))
def test_slope_agrees_with_a_fitted_line(values, seconds):
    got = rolling.slope_per_min(whole(values, seconds), seconds)
    for at in range(seconds - 1, len(values)):
        line = np.polyfit(np.arange(seconds), values[at + 1 - seconds : at + 1], 1)
        assert got[at] == pytest.approx(line[0] * 60, abs=1e-3)


def test_slope_of_a_degree_a_minute_is_one():
    values = 20 + np.arange(700) / 60
    assert rolling.slope_per_min(whole(values, 600), 600)[-1] == pytest.approx(1.0, abs=1e-6)


def test_values_too_large_for_exact_sums_are_unknown():
    assert np.isnan(rolling.mean(whole([1e7], 1), 1)[0])


@given(NUMBERS, st.integers(1, 20), st.integers(1, 30))
def test_window_gives_the_same_bits_however_it_is_fed(values, seconds, cut):
    expected = rolling.slope_per_min(whole(values, seconds), seconds)
    window, got = rolling.Window(seconds), []
    for first in range(0, len(values), cut):
        part = window.extend(np.array(values[first : first + cut], float))
        got.append(rolling.slope_per_min(part, seconds))
    assert expected.tobytes() == np.concatenate(got).tobytes()


def test_window_forgets_what_it_did_not_see():
    window = rolling.Window(10)
    window.extend(np.ones(10))
    after = window.extend(np.full(5, 3.0), blind_s=100)
    assert np.isnan(after[:9]).all()
    assert rolling.mean(after, 10)[-1] == 3.0


def test_runs_count_true_ticks_in_a_row_and_carry_on():
    on = np.array([TRUE, TRUE, FALSE, TRUE], np.int8)
    length, carried = rolling.runs(on, 5)
    assert [6, 7, 0, 1] == length.tolist()
    assert carried == 1


def test_count_passes_over_what_no_counter_can_do():
    moved = [1.0, 1e308, 2.0, -1e308, NAN, float("inf"), 3.0]
    assert [6.0] == rolling.count(np.array(moved), len(moved)).tolist()
