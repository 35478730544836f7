"""Calendar chores: in UTC, however late, also after the clock was set back."""

import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, tzinfo

import pytest
import structlog
from apscheduler.schedulers import base

from condmon.jobs import Jobs
from tests.waiting import until


class SetClock(datetime):
    """The wall clock as APScheduler sees it, some time away from the real one."""

    by = timedelta(0)

    @classmethod
    def now(cls, tz: tzinfo | None = None) -> datetime:
        return datetime.now(tz) + cls.by


@pytest.fixture
def jobs(monkeypatch: pytest.MonkeyPatch) -> Iterator[Jobs]:
    monkeypatch.setattr(base, "datetime", SetClock)
    SetClock.by = timedelta(0)
    jobs = Jobs()
    yield jobs
    jobs.stop()


def minute_ahead(minutes: int) -> datetime:
    return SetClock.now(UTC) + timedelta(minutes=minutes)


def next_runs(jobs: Jobs) -> list[datetime]:
    return [job.next_run_time for job in jobs._scheduler.get_jobs()]


def test_daily_and_hourly_chores_are_set_in_utc(jobs):
    jobs.daily("night", lambda: None, hour=2, minute=30)
    jobs.hourly("hour", lambda: None, minute=17)
    jobs.start()
    daily, hourly = sorted(next_runs(jobs), key=lambda at: at.hour != 2 or at.minute != 30)
    assert (2, 30, timedelta(0)) == (daily.hour, daily.minute, daily.utcoffset())
    assert 17 == hourly.minute
    assert hourly - SetClock.now(UTC) <= timedelta(hours=1)


def test_chore_that_is_hours_late_runs_once(jobs):
    runs: list[int] = []
    jobs.hourly("hour", lambda: runs.append(1), minute=minute_ahead(30).minute)
    jobs.start()
    SetClock.by = timedelta(hours=5)
    assert jobs.clock_moved(5 * 3600.0) is True
    due = minute_ahead(30)
    assert next_runs(jobs)[0] - SetClock.now(UTC) <= timedelta(hours=1)
    assert due.tzinfo is UTC


def test_clock_set_back_an_hour_does_not_put_the_chores_to_sleep_for_an_hour(jobs):
    done = threading.Event()
    at = minute_ahead(1)
    jobs.hourly("hour", done.set, minute=at.minute)
    jobs.start()
    before = next_runs(jobs)[0]
    SetClock.by = -timedelta(hours=1)
    jobs._scheduler.wakeup()
    assert next_runs(jobs)[0] - SetClock.now(UTC) > timedelta(hours=1)  # asleep too long
    assert jobs.clock_moved(-3600.0) is True
    assert before - timedelta(hours=1) == next_runs(jobs)[0]
    SetClock.by += timedelta(minutes=1)  # the minute has come
    jobs._scheduler.wakeup()
    until(done.is_set, 5, "the chore ran")


def test_small_step_of_the_clock_changes_nothing(jobs):
    jobs.daily("night", lambda: None, hour=2, minute=30)
    assert jobs.clock_moved(3600.0) is False  # not started
    jobs.start()
    assert jobs.clock_moved(1.5) is False


def test_chore_that_fails_is_told_and_the_next_one_runs(jobs):
    done = threading.Event()

    def broken() -> None:
        raise OSError("no such disk")

    minute = minute_ahead(1).minute
    jobs.hourly("broken", broken, minute=minute)
    jobs.hourly("sound", done.set, minute=minute)
    with structlog.testing.capture_logs() as told:
        jobs.start()
        SetClock.by = timedelta(minutes=1)
        jobs._scheduler.wakeup()
        until(lambda: done.is_set() and told, 5, "both ran")
    assert ["broken"] == [line["chore"] for line in told if line["event"] == "chore failed"]
