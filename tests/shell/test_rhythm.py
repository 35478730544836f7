"""Turns begin a fifth of a second apart, less what the decoding of the last one took."""

import pytest

from condmon.daemon.rhythm import TURN_S, Rhythm
from tests.fakes import FakeClock


def near(seconds: float):
    return pytest.approx(seconds, abs=1e-6)


def turn(clock: FakeClock, rhythm: Rhythm, decode_s: float, rest_s: float) -> float:
    rhythm.begin()
    clock.pass_s(decode_s)
    rhythm.decoded()
    clock.pass_s(rest_s)
    return rhythm.wait_s()


def test_turns_begin_a_fifth_of_a_second_apart_whatever_writing_takes():
    clock = FakeClock()
    rhythm = Rhythm(clock)
    assert rhythm.wait_s() == near(TURN_S)
    assert turn(clock, rhythm, 0.0, 0.15) == near(TURN_S - 0.15)
    assert turn(clock, rhythm, 0.0, 0.9) == 0.0  # late already


def test_what_takes_long_to_decode_is_fetched_earlier_but_not_in_a_whirl():
    clock = FakeClock()
    rhythm = Rhythm(clock)
    assert turn(clock, rhythm, 0.05, 0.01) == near(TURN_S - 0.05 - 0.06)
    assert turn(clock, rhythm, 5.0, -4.95) == near(TURN_S / 2 - 0.05)


def test_clock_that_was_put_back_holds_up_no_longer_than_a_turn():
    clock = FakeClock()
    rhythm = Rhythm(clock)
    clock.pass_s(-3600)
    assert rhythm.wait_s() == TURN_S
