"""How condmon fares: what enters the stream each minute, and that the engine watches it."""

import shutil
from pathlib import Path

import pytest

from condmon.clock import Clock
from condmon.daemon.ownhealth import EVERY_S, OwnHealth
from condmon.engine.health import HEALTH
from condmon.engine.records import Health
from condmon.store.journal import Journal

START_US = 1_790_000_000_000_000


class Time:
    """Both clocks of a system, moved by hand."""

    def __init__(self):
        self.mono_ns, self.wall_ns = 0, START_US * 1000

    def go(self, seconds):
        self.mono_ns += round(seconds * 1e9)
        self.wall_ns += round(seconds * 1e9)


@pytest.fixture
def time():
    return Time()


@pytest.fixture
def health(tmp_path: Path, time: Time):
    clock = Clock(wall_ns=lambda: time.wall_ns, monotonic_ns=lambda: time.mono_ns)
    with Journal(tmp_path) as journal:
        yield OwnHealth(tmp_path, journal, clock, lambda: START_US + 10 * 86_400_000_000)


def figures(records: list[Health]) -> dict[str, float]:
    return {record.name: record.value for record in records}


def test_figures_come_once_a_minute_under_known_names(health, time):
    first = health.due(START_US)
    assert set(figures(first)) <= set(HEALTH)
    assert {"disk_free_share", "outbox_age_s", "certificate_days"} <= set(figures(first))
    time.go(EVERY_S - 1)
    assert [] == health.due(START_US)
    time.go(1)
    assert len(first) == len(health.due(START_US))


def test_figures_are_those_of_disk_clock_stream_and_certificate(health, time, tmp_path):
    usage = shutil.disk_usage(tmp_path)
    time.go(90)
    time.wall_ns -= 40 * 10**9  # somebody put the clock back
    found = figures(health.due(START_US + 30_000_000))
    assert usage.free / usage.total == pytest.approx(found["disk_free_share"], abs=0.05)
    assert 40 == pytest.approx(found["clock_off_s"], abs=0.01)
    assert 90 == pytest.approx(found["stream_silent_s"])
    assert 60 == pytest.approx(found["store_behind_s"])
    assert 10 == pytest.approx(found["certificate_days"], abs=0.01)
    assert 0 == found["outbox_age_s"]


def test_silence_counts_from_the_last_message_and_not_while_the_link_is_down(health, time):
    time.go(100)
    health.heard(3, up=True)
    time.go(60)
    assert 60 == pytest.approx(figures(health.due(START_US))["stream_silent_s"])
    time.go(600)
    health.heard(0, up=False)
    time.go(5)
    assert 5 == pytest.approx(figures(health.due(START_US))["stream_silent_s"])
