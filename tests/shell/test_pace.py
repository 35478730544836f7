"""Which time a beacon tells: now, or what waited at the broker was of."""

import pytest

from condmon.daemon.pace import CATCH_UP_S, QUIET_S, WAIT_FOR_LINK_S, Pace
from condmon.engine.records import NO_TIME, SECOND_US, Link, Record, samples
from tests.fakes import START_US, FakeClock

UP, DOWN = Link(START_US, True), Link(START_US, False)


@pytest.fixture
def clock():
    return FakeClock()


@pytest.fixture
def pace(clock):
    return Pace(clock, 2.0)


def heard(clock: FakeClock, *ages_s: float | None) -> list[Record]:
    now_us = clock.now_us()
    own = [NO_TIME if age is None else now_us - round(age * SECOND_US) for age in ages_s]
    return [samples([(0, now_us, at, 1.0, 0, 0, 0) for at in own])]


def test_time_waits_for_the_link_after_a_start_but_not_for_ever(clock, pace):
    assert None is pace.beacon_us([], 0, 0)
    assert START_US - 5 == pace.beacon_us([], 0, START_US - 5)
    clock.pass_s(WAIT_FOR_LINK_S - 0.1)
    assert START_US == pace.beacon_us([], 0, START_US)
    clock.pass_s(0.2)
    assert clock.now_us() == pace.beacon_us([], 0, START_US)


def test_backlog_moves_time_by_its_own_times_until_it_has_caught_up(clock, pace):
    last = START_US - 3600 * SECOND_US
    last = pace.beacon_us([UP], 0, last)
    assert START_US - 3600 * SECOND_US == last
    for age in (3600, 1800, 900, 3):
        last = pace.beacon_us(heard(clock, age + 5, age, age + 9), 3, last)
        assert clock.now_us() - age * SECOND_US == last
        clock.pass_s(0.25)
    assert clock.now_us() == pace.beacon_us(heard(clock, 1), 1, last)
    assert clock.now_us() == pace.beacon_us(heard(clock, 50), 1, last)


def test_quiet_ends_the_catching_up(clock, pace):
    last = pace.beacon_us([UP, *heard(clock, 600)], 1, START_US - 3600 * SECOND_US)
    assert last == pace.beacon_us([], 0, last)
    clock.pass_s(QUIET_S - 0.1)
    assert last == pace.beacon_us([], 0, last)
    clock.pass_s(0.1)
    assert clock.now_us() == pace.beacon_us([], 0, last)


def test_turn_that_took_long_is_no_quiet_for_the_broker_waited_for_it(clock, pace):
    """On a slow disk, with more waiting than the broker lets be under way."""
    last = pace.beacon_us([UP, *heard(clock, 600)], 1, START_US - 3600 * SECOND_US)
    clock.pass_s(8)
    assert last == pace.beacon_us([], 0, last)
    clock.pass_s(0.2)
    assert last + 100 * SECOND_US == pace.beacon_us(heard(clock, 508.2), 1, last)


def test_messages_without_own_time_do_not_hold_time_for_long(clock, pace):
    last = pace.beacon_us([UP, *heard(clock, None, None)], 2, START_US - SECOND_US)
    assert START_US - SECOND_US == last
    clock.pass_s(1)
    assert last == pace.beacon_us(heard(clock, None), 1, last)
    clock.pass_s(1.1)
    assert clock.now_us() == pace.beacon_us(heard(clock, None), 1, last)


def test_source_that_is_behind_for_ever_cannot_hold_time_longer_than_a_minute(clock, pace):
    last = pace.beacon_us([UP, *heard(clock, 7200)], 1, 1)
    for _ in range(int(CATCH_UP_S / 0.25) + 1):
        clock.pass_s(0.25)
        last = pace.beacon_us(heard(clock, 7200), 1, last)
    assert clock.now_us() == last


def test_source_that_is_ahead_does_not_push_time_and_time_never_passes_now(clock, pace):
    last = pace.beacon_us([UP, *heard(clock, -3000, 600)], 2, 1)
    assert START_US - 600 * SECOND_US == last
    assert START_US == pace.beacon_us(heard(clock, -4, 500), 2, last)


def test_loss_of_the_link_holds_time_once_however_often_it_fails_again(clock, pace):
    pace.beacon_us([UP], 0, START_US)
    clock.pass_s(1)
    last = pace.beacon_us([], 0, START_US)
    assert clock.now_us() == last
    assert last == pace.beacon_us([DOWN], 0, last)
    clock.pass_s(6)
    assert last == pace.beacon_us([DOWN], 0, last)
    clock.pass_s(6)
    assert clock.now_us() == pace.beacon_us([], 0, last)


def test_time_never_goes_back(clock, pace):
    ahead = START_US + 50 * SECOND_US
    assert ahead == pace.beacon_us([UP, *heard(clock, 600)], 1, ahead)
    clock.pass_s(20)
    assert ahead == pace.beacon_us([], 0, ahead)
