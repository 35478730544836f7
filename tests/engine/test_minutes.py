"""Means over whole minutes, however the ticks come."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from condmon.engine.minutes import Minutes


def column(values) -> np.ndarray:
    return np.array(values, np.float64)[:, None]


def test_minute_is_put_out_when_its_last_second_is_closed():
    minutes = Minutes(1)
    assert 0 == len(minutes.push(120, column(range(59))).minute)
    done = minutes.push(179, column([59]))
    assert ([2], [[29.5]]) == (done.minute.tolist(), done.value.tolist())


def test_mean_needs_half_a_minute_of_known_ticks():
    ticks = np.full(120, np.nan)
    ticks[:30], ticks[60:89] = 5.0, 5.0
    done = Minutes(1).push(0, column(ticks))
    assert 5.0 == done.value[0, 0]
    assert math.isnan(done.value[1, 0])


def test_minute_that_began_before_the_watch_is_judged_by_what_was_seen():
    done = Minutes(1).push(90, column(np.ones(30)))
    assert ([1], [[1.0]]) == (done.minute.tolist(), done.value.tolist())


def test_minute_in_which_the_watch_broke_off_is_closed_later():
    minutes = Minutes(1)
    minutes.push(0, column(np.ones(40)))
    done = minutes.push(7200, column(np.full(60, 2.0)))
    assert [0, 120] == done.minute.tolist()
    assert [[1.0], [2.0]] == done.value.tolist()


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32))
def test_means_have_the_same_bits_however_the_ticks_are_cut(seed):
    rng = np.random.default_rng(seed)
    first, n = int(rng.integers(0, 10_000)), int(rng.integers(1, 900))
    ticks = rng.normal(30, 9, (n, 5))
    ticks[rng.random((n, 5)) < 0.2] = np.nan
    whole = Minutes(5).push(first, ticks)
    minutes, got = Minutes(5), []
    cuts = [0, *sorted(rng.integers(0, n + 1, 20).tolist()), n]
    for a, b in pairwise(cuts):
        if b > a:
            got.append(minutes.push(first + a, ticks[a:b]))
        if rng.random() < 0.3:
            state = minutes.state()
            minutes = Minutes(5)
            minutes.load(state)
    assert whole.minute.tolist() == [m for part in got for m in part.minute.tolist()]
    together = np.concatenate([part.value for part in got]) if got else np.empty((0, 5))
    assert whole.value.tobytes() == together.tobytes()


def test_state_of_another_width_is_refused():
    state = Minutes(2).state()
    with pytest.raises(AssertionError):
        Minutes(3).load(state)
