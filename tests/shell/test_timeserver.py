"""A clock that no time server sets any more: told after an hour, over when it is set again."""

import pytest

from condmon.daemon import timeserver
from condmon.daemon.timeserver import TimeServer
from tests.fakes import START_US, FakeClock

HOUR_S = 3600.0


class Asking:
    """The look, what it told, and a system that answers as the test says."""

    def __init__(self, folder, monkeypatch):
        self._command = folder / "timedatectl"
        monkeypatch.setenv("PATH", f"{folder}:/usr/bin:/bin")
        self.clock, self.records = FakeClock(), []
        self._look = TimeServer(self.clock.now_us, self.clock.monotonic_s, self.records.append).look

    def hears(self, script: str) -> list[float]:
        """What one look tells when the system does this."""
        self._command.write_text(f"#!/bin/sh\n{script}\n")
        self._command.chmod(0o700)
        self.records.clear()
        self._look()
        assert all(record.name == "clock_unset_s" for record in self.records)
        return [record.value for record in self.records]


@pytest.fixture
def asking(tmp_path, monkeypatch):
    return Asking(tmp_path, monkeypatch)


def test_clock_that_is_set_is_well_and_one_that_is_set_no_more_counts_from_the_first_no(asking):
    assert [0.0] == asking.hears("echo yes")
    asking.clock.pass_s(HOUR_S)
    assert [] == asking.hears("echo no"), "a moment without a server is nobody's concern"
    asking.clock.pass_s(HOUR_S)
    assert [HOUR_S] == asking.hears("echo no")
    asking.clock.pass_s(HOUR_S)
    assert [2 * HOUR_S] == asking.hears("echo no")
    assert [0.0] == asking.hears("echo yes")
    assert [] == asking.hears("echo no"), "it counts anew"


def test_wall_clock_that_jumps_does_not_count(asking):
    assert [] == asking.hears("echo no")
    asking.clock.step_wall_s(10 * 365 * 86_400.0)
    asking.clock.take_wall()
    assert asking.clock.now_us() >= START_US + 10 * 365 * 86_400 * 1_000_000
    asking.clock.pass_s(60)
    assert [60.0] == asking.hears("echo no")


@pytest.mark.parametrize(
    "script", ["echo 'System has not been booted with systemd' >&2; exit 1", "exit 0", "echo maybe"]
)
def test_where_nobody_knows_nothing_is_told(asking, script):
    assert [] == asking.hears(script)
    asking.clock.pass_s(10 * HOUR_S)
    assert [] == asking.hears(script)


def test_system_that_hangs_or_cannot_be_asked_is_not_waited_for(asking, monkeypatch, tmp_path):
    monkeypatch.setattr(timeserver, "ANSWER_WITHIN_S", 0.2)
    assert [] == asking.hears("exec sleep 30")
    monkeypatch.setenv("PATH", str(tmp_path / "nowhere"))
    assert [] == asking.hears("echo yes")
