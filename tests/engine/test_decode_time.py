"""Times as sources write them."""

from datetime import datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from condmon.engine.records import NO_TIME, TIME_UNREADABLE, ZONE_ASSUMED
from condmon.engine.timetext import days, from_number, instant, to_utc

AT_US = 1_763_964_000_000_000  # 2025-11-24T06:00:00Z

# RFC 3339 section 5.8 examples, seen second hand in public test suites; the rest computed
RFC_3339 = [
    ("1985-04-12T23:20:50.52Z", 482196050520),
    ("1996-12-19T16:39:57-08:00", 851042397000),
    ("1937-01-01T12:00:27.87+00:20", -1041337172130),
    ("2026-11-25T02:00:00.123+01:00", 1795568400123),
    ("2000-02-29T00:00:00Z", 951782400000),
    ("1990-12-31T23:59:60Z", 662688000000),
    ("1990-12-31T15:59:60-08:00", 662688000000),
    ("2000-02-29t00:00:00z", 951782400000),
]

READABLE = [
    (1763964000, 0),
    (1763964010000, 10_000_000),
    (1763964020000000, 20_000_000),
    (1763964030000000000, 30_000_000),
    (1763964040.25, 40_250_000),
    (1763964040250.5, 40_250_500),
    ("1763964050000", 50_000_000),
    ("1763964050.5", 50_500_000),
    ("2025-11-24T06:01:00Z", 60_000_000),
    ("2025-11-24T07:01:10+01:00", 70_000_000),
    ("2025-11-24T07:01:20+0100", 80_000_000),
    ("2025-11-24T07:01:20+01", 80_000_000),
    ("2025-11-24 06:01:20,5Z", 80_500_000),
    ("2025-11-24T06:01:40.123456789Z", 100_123_456),
    ("20251124T060150Z", 110_000_000),
    ("2025-11-24T06:01Z", 60_000_000),
]

UNREADABLE = [
    "24.11.2025 06:02:00",
    "soon",
    "2025-02-29T12:00:00Z",
    "1990-13-31T23:59:00Z",
    "2017-01-01T",
    "2017-01-01",
    "2025-11-24T24:00:01Z",
    "2025-11-24T06:60:00Z",
    "2025-11-24T06:00:61Z",
    "2025-11-24T06:00:60Z",
    "2025-11-24T06:00:00+25:00",
    "2025-1124T06:00:00Z",
    "2025-11-24T060000Z",
    "0000-01-01T00:00:00Z",
    "\u0662\u0660\u0662\u0665-11-24T06:00:00Z",
    "9" * 500,
    True,
    [1],
    {},
    float("nan"),
    float("inf"),
    1e300,
    10**30,
]


@pytest.mark.parametrize(("text", "at_ms"), RFC_3339)
def test_rfc_3339_examples(text, at_ms):
    assert (at_ms * 1000, 0) == instant(text, AT_US)


@pytest.mark.parametrize(("text", "after_us"), READABLE)
def test_epochs_and_iso_forms_land_where_they_belong(text, after_us):
    assert (AT_US + after_us, 0) == instant(text, AT_US)


@pytest.mark.parametrize("text", UNREADABLE, ids=lambda v: repr(v)[:30])
def test_what_is_no_time_is_marked(text):
    assert (NO_TIME, TIME_UNREADABLE) == instant(text, AT_US)


@pytest.mark.parametrize("text", [None, "", "  "])
def test_no_time_at_all_is_not_a_fault(text):
    assert (NO_TIME, 0) == instant(text, AT_US)


def test_hour_24_is_the_end_of_the_day():
    assert instant("2025-12-01T00:00:00Z", AT_US) == instant("2025-11-30T24:00:00Z", AT_US)


def test_small_and_negative_numbers_are_seconds_for_intake_to_judge():
    assert 14_000_000 == from_number(14)
    assert -1_000_000 == from_number(-1)
    assert -2147483648_000000 == from_number(-2147483648)
    assert 4294967295_000000 == from_number(4294967295)
    assert 9223372036854775 == from_number(9223372036854775808)  # ns


def _northern_winter(at_us):
    """+1 h, +2 h from 2025-03-30T01:00Z to 2025-10-26T01:00Z."""
    return 7200 if 1_743_296_400_000_000 <= at_us < 1_761_440_400_000_000 else 3600


def test_a_time_without_zone_takes_the_sites_and_says_so():
    assert (AT_US, ZONE_ASSUMED) == instant("2025-11-24T07:00:00", AT_US, _northern_winter)
    assert (AT_US, ZONE_ASSUMED) == instant("2025-11-24T06:00:00", AT_US)


def test_the_hour_that_comes_twice_is_the_one_nearer_to_arrival():
    first, second = 1_761_438_600_000_000, 1_761_442_200_000_000  # both 02:30 on 26 Oct 2025
    assert first == instant("2025-10-26T02:30:00", first + 5_000_000, _northern_winter)[0]
    assert second == instant("2025-10-26T02:30:00", second + 5_000_000, _northern_winter)[0]


def test_the_hour_that_is_skipped_takes_the_offset_of_before():
    local_us = days(2025, 3, 30) * 86_400_000_000 + 9_000_000_000  # 02:30, which no clock showed
    assert local_us - 3_600_000_000 == to_utc(local_us, local_us, _northern_winter)


@given(st.datetimes())
def test_the_calendar_agrees_with_the_standard_library(moment):
    epoch = datetime(1970, 1, 1)  # noqa: DTZ001 - naive on both sides
    expected = (moment - epoch) // timedelta(microseconds=1)
    assert (expected, 0) == instant(moment.isoformat() + "Z", AT_US)


@given(st.one_of(st.text(max_size=40), st.integers(), st.floats(), st.booleans(), st.none()))
def test_no_time_ever_raises(given_time):
    at_us, mark = instant(given_time, AT_US, _northern_winter)
    assert at_us == NO_TIME or abs(at_us) < 2**62
    assert mark in {0, TIME_UNREADABLE, ZONE_ASSUMED}
