"""The clock and the site's calendar: time zones, nights of change, a wall that is moved."""

import threading
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from condmon import clock as module
from condmon.clock import Clock, SiteCalendar, parse_rfc3339, rfc3339

ALL_DAYS = frozenset(range(7))
OSLO = SiteCalendar("Europe/Oslo")
ZONES = ("Europe/Oslo", "America/St_Johns", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC",
         "America/Sao_Paulo", "Africa/Casablanca", "Pacific/Apia")  # fmt: skip
IN_CALENDAR = st.integers(0, module._END_US - 1)
FORTNIGHT_US = 14 * 86_400 * 10**6
WELL_IN_CALENDAR = st.integers(FORTNIGHT_US, module._END_US - FORTNIGHT_US)


def us(text: str) -> int:
    at_us = parse_rfc3339(text)
    assert at_us is not None
    return at_us


class Walls:
    """The two clocks of a computer, moved by hand."""

    def __init__(self) -> None:
        self.wall, self.monotonic = 1_764_000_000 * 10**9, 5 * 10**9

    def live(self, seconds: float) -> None:
        self.wall += round(seconds * 1e9)
        self.monotonic += round(seconds * 1e9)

    def move(self, seconds: float) -> None:
        self.wall += round(seconds * 1e9)

    def clock(self, speed: float = 1.0, start_us: int | None = None) -> Clock:
        return Clock(speed, start_us, wall_ns=lambda: self.wall,
                     monotonic_ns=lambda: self.monotonic)  # fmt: skip


# the calendar


@pytest.mark.parametrize("zone", ZONES)
@given(at_us=IN_CALENDAR)
def test_the_calendar_agrees_with_the_time_zone_database(zone: str, at_us: int):
    local = datetime.fromtimestamp(at_us // 10**6, UTC).astimezone(ZoneInfo(zone))
    calendar = SiteCalendar(zone)
    assert local.strftime("%Y-%m-%d %H:%M:%S") == calendar.text(at_us)
    week = local.weekday() * 1440 + local.hour * 60 + local.minute
    assert week == calendar.minute_of_week(at_us)


def test_the_offset_changes_at_the_second_of_the_change():
    change_us = us("2026-03-29T01:00:00Z")
    assert (3600, 7200) == (OSLO.offset_s(change_us - 1), OSLO.offset_s(change_us))
    assert "2026-03-29 01:59:59" == OSLO.text(change_us - 1)
    assert "2026-03-29 03:00:00" == OSLO.text(change_us)


def test_outside_1970_to_2200_the_calendar_shows_utc():
    assert "1969-12-31 23:59:59" == OSLO.text(-1)
    assert "2201-01-01 00:00:00" == OSLO.text(us("2201-01-01T00:00:00Z"))
    assert "2201-01-01 00:59:59" == OSLO.text(us("2201-01-01T00:00:00Z") - 1)
    assert 3 * 1440 - 1 == OSLO.minute_of_week(-1)  # the last minute of a Wednesday


@given(at_us=st.integers(-(2**63), 2**63 - 1))
def test_no_instant_breaks_the_calendar(at_us: int):
    assert 0 <= OSLO.minute_of_week(at_us) < 10_080
    assert OSLO.text(at_us)
    assert OSLO.next_local(at_us, 420, ALL_DAYS) > at_us


def test_the_cache_of_offsets_is_bounded(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(module, "_CACHE_MAX", 4)
    calendar = SiteCalendar("Europe/Oslo")
    for quarter in range(50):
        calendar.offset_s(quarter * 900 * 10**6)
    assert 4 >= len(calendar._offsets_s)


def test_the_digest_of_a_weekday_skips_the_weekend():
    friday_noon = us("2026-11-27T12:00:00+01:00")
    weekdays = frozenset(range(5))
    assert us("2026-11-30T07:00:00+01:00") == OSLO.next_local(friday_noon, 420, weekdays)


def test_the_next_time_is_after_the_instant_itself():
    seven = us("2026-11-25T07:00:00+01:00")
    assert seven == OSLO.next_local(seven - 1, 420, ALL_DAYS)
    assert us("2026-11-26T07:00:00+01:00") == OSLO.next_local(seven, 420, ALL_DAYS)


def test_a_time_skipped_in_spring_is_taken_as_if_nothing_had_changed():
    evening = us("2026-03-28T22:00:00+01:00")
    found = OSLO.next_local(evening, 150, ALL_DAYS)  # 02:30 does not exist on the 29th
    assert us("2026-03-29T01:30:00Z") == found
    assert us("2026-03-30T02:30:00+02:00") == OSLO.next_local(found, 150, ALL_DAYS)


def test_a_time_that_comes_twice_in_autumn_counts_once():
    evening = us("2026-10-24T22:00:00+02:00")
    first = OSLO.next_local(evening, 150, ALL_DAYS)
    assert us("2026-10-25T02:30:00+02:00") == first
    assert us("2026-10-26T02:30:00+01:00") == OSLO.next_local(first, 150, ALL_DAYS)


@pytest.mark.parametrize("zone", ["Europe/Oslo", "Australia/Lord_Howe", "America/St_Johns"])
@given(
    at_us=WELL_IN_CALENDAR, minute=st.integers(0, 1439), days=st.sets(st.integers(0, 6), min_size=1)
)
def test_the_next_time_shows_that_minute_or_stands_beside_a_change(zone, at_us, minute, days):
    calendar = SiteCalendar(zone)
    found = calendar.next_local(at_us, minute, frozenset(days))
    assert at_us < found <= at_us + 9 * 86_400 * 10**6
    day, shown = divmod(calendar.minute_of_week(found), 1440)
    hour_us = 3600 * 10**6
    changes = calendar.offset_s(found - 2 * hour_us) != calendar.offset_s(found + 2 * hour_us)
    assert changes or (shown == minute and day in days)


@pytest.mark.parametrize("name", ["Europe/Berln", "../etc/passwd", "", "Europe"])
def test_an_unknown_zone_is_refused(name: str):
    with pytest.raises((ValueError, KeyError, OSError)):
        SiteCalendar(name)


# the clock


def test_time_goes_on_with_the_monotonic_clock():
    walls = Walls()
    clock = walls.clock()
    start_us = clock.now_us()
    assert walls.wall // 1000 == start_us
    walls.live(2.5)
    assert 2_500_000 == clock.now_us() - start_us


def test_a_faster_clock_lives_faster_from_its_own_start():
    walls = Walls()
    clock = walls.clock(60.0, 1_000_000)
    walls.live(1.5)
    assert 91_000_000 == clock.now_us()
    walls.move(3600)
    assert 0.0 == clock.take_wall()
    assert 91_000_000 == clock.now_us()


def test_a_wall_put_forward_is_reported_and_then_taken():
    walls = Walls()
    clock = walls.clock()
    walls.live(10)
    walls.move(30)
    before_us = clock.now_us()
    assert 30.0 == clock.wall_step_s()
    assert 0.0 == clock.wall_step_s(), "a step is told once"
    assert 30.0 == clock.take_wall()
    assert walls.wall // 1000 == clock.now_us() == before_us + 30_000_000
    assert 0.0 == clock.take_wall()
    walls.live(1)
    assert walls.wall // 1000 == clock.now_us()


def test_a_wall_put_back_is_reported_and_our_own_time_goes_on():
    walls = Walls()
    clock = walls.clock()
    start_us = clock.now_us()
    walls.move(-3600)
    walls.live(5)
    assert -3600.0 == clock.wall_step_s()
    assert 0.0 == clock.take_wall()
    assert 5_000_000 == clock.now_us() - start_us


def test_time_never_goes_back_even_if_the_monotonic_clock_does():
    walls = Walls()
    clock = walls.clock()
    walls.live(5)
    latest_us = clock.now_us()
    walls.live(-3)
    assert latest_us == clock.now_us()


def test_the_real_clock_shows_the_time_of_day():
    clock = Clock()
    real_us = np.datetime64(datetime.now(UTC).replace(tzinfo=None), "us").astype(np.int64)
    assert abs(clock.now_us() - int(real_us)) < 1_000_000
    assert abs(clock.wall_step_s()) < 1.0
    assert clock.monotonic_s() <= clock.monotonic_s()


def test_many_threads_see_one_time_that_never_goes_back():
    clock, wrong = Clock(), []

    def look() -> None:
        seen = [clock.now_us() for _ in range(2000) if not clock.take_wall() < 0]
        wrong.extend(b for a, b in pairwise(seen) if b < a)

    threads = [threading.Thread(target=look) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [] == wrong


# RFC 3339


# Examples of RFC 3339, 5.8, and of its grammar; the epochs were computed independently.
READ = [
    ("1985-04-12T23:20:50.52Z", 482_196_050_520),
    ("1996-12-19T16:39:57-08:00", 851_042_397_000),
    ("1937-01-01T12:00:27.87+00:20", -1_041_337_172_130),
    ("2026-11-25T02:00:00.123+01:00", 1_795_568_400_123),
    ("2000-02-29T00:00:00Z", 951_782_400_000),
    ("1990-12-31T23:59:60Z", 662_688_000_000),
    ("1990-12-31T15:59:60-08:00", 662_688_000_000),
    ("1985-04-12t23:20:50.52z", 482_196_050_520),
    ("1985-04-12 23:20:50.52Z", 482_196_050_520),
    ("2000-02-29T00:00:00-00:00", 951_782_400_000),
]


@pytest.mark.parametrize(("text", "at_ms"), READ)
def test_rfc_3339_is_read(text: str, at_ms: int):
    assert at_ms * 1000 == parse_rfc3339(text)


@pytest.mark.parametrize(
    "text",
    ["1990-13-31T23:59:00Z", "2017-01-01T", "2017-01-01", "2026-11-25T02:00:00", "", "Z",
     "2026-02-29T00:00:00Z", "2026-11-25T24:00:00Z", "2026-11-25T02:60:00Z",
     "2026-11-25T02:00:60Z", "2026-11-25T02:00:61Z", "2026-11-25T02:00:00+24:00",
     "2026-11-25T02:00:00+01:60", "2026-11-25T02:00:00+0100", "2026-11-25T02:00:00.Z",
     " 2026-11-25T02:00:00Z", "2026-11-25T02:00:00Z\n", "0000-01-01T00:00:00Z",
     "\u0662026-11-25T02:00:00Z"],
)  # fmt: skip
def test_what_is_not_rfc_3339_is_refused(text: str):
    assert parse_rfc3339(text) is None


@pytest.mark.parametrize(
    ("at_us", "text"),
    [
        (1_795_568_400_123_000, "2026-11-25T01:00:00.123Z"),
        (1_795_568_400_000_000, "2026-11-25T01:00:00Z"),
        (1_795_568_400_000_001, "2026-11-25T01:00:00.000001Z"),
        (1_795_568_400_500_000, "2026-11-25T01:00:00.5Z"),
        (0, "1970-01-01T00:00:00Z"),
        (-1, "1969-12-31T23:59:59.999999Z"),
    ],
)
def test_an_instant_is_written_without_idle_zeros(at_us: int, text: str):
    assert text == rfc3339(at_us)


@given(st.datetimes(datetime(1, 1, 1), datetime(9999, 12, 31)))  # noqa: DTZ001
def test_what_is_written_is_read_back(instant: datetime):
    at_us = (instant - datetime(1970, 1, 1)) // timedelta(microseconds=1)  # noqa: DTZ001
    assert at_us == parse_rfc3339(rfc3339(at_us))


@given(st.text(max_size=40))
def test_no_text_breaks_the_reader(text: str):
    found = parse_rfc3339(text)
    assert found is None or isinstance(found, int)
