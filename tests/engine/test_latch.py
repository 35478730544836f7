"""Hold, release and deadband, on ticks."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from condmon.engine.latch import UNJUDGED_S, Latch
from condmon.engine.logic import FALSE, TRUE, UNKNOWN
from tests.trade.vectors import vector

ALARM = vector("alarm")  # constructed: a high limit, samples every 10 s (no published source)
CASES = [(*map(float, how.split("/")), said) for how, said in ALARM.expected.items()]


@pytest.mark.parametrize(("deadband", "hold", "release", "expected"), CASES)
def test_limit_with_deadband_hold_and_release_gives_the_constructed_vectors(
    deadband, hold, release, expected
):
    limit = ALARM.input["sp"]
    value = np.repeat(ALARM.column("v"), ALARM.input["dt"])
    on = np.where(value >= limit, TRUE, FALSE).astype(np.int8)
    back = value <= limit - deadband if deadband else value < limit
    stay = np.where(back, FALSE, TRUE).astype(np.int8)
    events = Latch(int(hold), int(release)).push(0, on, stay, blind=False)
    words = {"raised": "ON", "ended": "OFF"}
    assert expected == " ".join(f"{words[e.kind]}{e.row}" for e in events if e.kind in words)


def test_hold_of_60_is_reached_60_s_after_the_condition_began():
    on = np.array([FALSE] * 400 + [TRUE] * 70 + [FALSE] * 30, np.int8)
    raised, ended = Latch(60, 0).push(1000, on, on, blind=False)
    assert (460, 1400) == (raised.row, raised.since)
    assert (470, 1470) == (ended.row, ended.since)


def test_condition_that_is_a_second_short_of_its_hold_raises_nothing():
    on = np.array([TRUE] * 60 + [FALSE], np.int8)
    assert [] == Latch(60, 0).push(0, on, on, blind=False)


def test_unknown_ticks_neither_count_nor_reset():
    on = np.array([TRUE] * 5 + [UNKNOWN] * 20 + [TRUE] * 6, np.int8)
    (raised,) = Latch(10, 0).push(0, on, on, blind=False)
    assert (30, 0) == (raised.row, raised.since)


def test_alert_whose_condition_stays_unknown_says_that_it_cannot_be_judged():
    on = np.array([TRUE] * 3 + [UNKNOWN] * (UNJUDGED_S + 5) + [TRUE], np.int8)
    events = Latch(0, 0).push(0, on, on, blind=False)
    assert [("raised", 0), ("unjudged", 3 + UNJUDGED_S), ("judged", len(on) - 1)] == [
        (e.kind, e.row) for e in events
    ]


def test_condition_that_returns_inside_the_deadband_is_counted_not_raised_again():
    on = np.array([TRUE] * 5 + [FALSE] * 5 + [TRUE] * 5, np.int8)
    stay = np.full(15, TRUE, np.int8)
    assert ["raised", "again"] == [e.kind for e in Latch(2, 0).push(0, on, stay, blind=False)]


def test_hold_starts_anew_after_a_spell_in_which_nobody_watched():
    latch, on = Latch(10, 0), np.full(8, TRUE, np.int8)
    assert [] == latch.push(0, on, on, blind=False)
    assert [] == latch.push(2000, on, on, blind=True)


@given(
    st.lists(
        st.sampled_from([(0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)]), min_size=1, max_size=80
    ),
    st.integers(0, 6),
    st.integers(0, 6),
    st.integers(1, 79),
)
def test_events_are_the_same_however_the_ticks_are_cut(pairs, hold, release, cut):
    on, stay = (np.array(c, np.int8) for c in zip(*pairs, strict=True))
    whole = Latch(int(hold), int(release)).push(0, on, stay, blind=False)
    latch, got = Latch(hold, release), []
    for first in range(0, len(on), cut):
        part = slice(first, first + cut)
        got += [
            e._replace(row=e.row + first)
            for e in latch.push(first, on[part], stay[part], blind=False)
        ]
        again = Latch(hold, release)
        again.load(latch.state())
        latch = again
    assert whole == got
