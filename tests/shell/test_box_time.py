"""Case O13 on a whole daemon: its computer's clock jumps by hours and ten years, and back."""

import threading
import time
from contextlib import closing
from datetime import UTC, timedelta

import pytest
from apscheduler.schedulers import base

from condmon.clock import Clock
from condmon.engine.records import Samples
from tests.inside import GATE, Inside
from tests.memory import rss_mb
from tests.receivers import web
from tests.shell.test_jobs import SetClock
from tests.shops import payload, publish
from tests.waiting import until

__all__ = ["web"]
pytestmark = [pytest.mark.broker, pytest.mark.slow]
HOURLY = "condmon.history.chore.Nightly._look_at_disk"
HOUR_S = 3600
JUMPS_S = (3 * HOUR_S, -3 * HOUR_S, -2 * HOUR_S, 2 * HOUR_S, 87_600 * HOUR_S, -87_600 * HOUR_S)
"""As in the case; each is undone by the next."""


class Wall:
    """The wall clock of the box, which somebody sets."""

    def __init__(self):
        self.off_ns = 0

    def __call__(self):
        return time.time_ns() + self.off_ns


def test_wall_clock_that_jumps_loses_no_sample_makes_no_alert_and_is_told_once_a_jump(
    tmp_path, mosquitto, web, monkeypatch
):
    wall, ran, sent = Wall(), [], []
    monkeypatch.setattr(base, "datetime", SetClock)
    monkeypatch.setattr(SetClock, "by", timedelta(0))
    monkeypatch.setattr(HOURLY, lambda _: ran.append(1))
    clock = Clock(wall_ns=wall)
    with closing(
        Inside(tmp_path / "d", mosquitto.url, GATE.format(url=web.url), monkeypatch, clock)
    ) as box:

        def say(value: float = 40.0) -> None:
            """The sensor has a clock of its own, which is right."""
            sent.append(len(sent))
            publish(mosquitto, [payload(time.time_ns() // 1000, value, sent[-1])])

        box.until_up()
        box.live(1, say)
        began_s = time.time() - 2
        before_mb, threads = rss_mb(), threading.active_count()
        for jump_s in JUMPS_S:
            wall.off_ns += jump_s * 10**9
            SetClock.by += timedelta(seconds=jump_s)
            box.live(1.5, say)
            next_at = box.service._jobs._scheduler.get_job("disk space").next_run_time
            assert next_at - SetClock.now(UTC) <= timedelta(hours=1), "it is not asleep"
        said = [text for text in box.texts("action") if "was put" in text]
        assert [f"{abs(s)} s {'forward' if s > 0 else 'back'}" for s in JUMPS_S] == [
            text.partition("was put ")[2].partition(";")[0] for text in reversed(said)
        ]
        assert [] == box.alerts("bearing"), "nothing is wrong with the machine"
        assert [] == web.requests
        until(lambda: (say(60.0), box.alerts("bearing")), 20, "it judges on")
        until(lambda: web.requests, 10, "and tells")
        box.live(1, lambda: say(60.0))
        assert 1 == len(box.alerts("bearing"))
        assert 1 == len(web.requests)
        assert len(ran) <= 1 + 3 + 1, "the start, three jumps forward, and perhaps the hour itself"
        assert rss_mb() - before_mb < 30
        assert threading.active_count() <= threads + 2
        until(lambda: set(sent) == set(own_times(box)), 10, "none is lost")
        seconds_s = sorted(own_times(box).values())
        assert began_s - 1 <= seconds_s[0] <= seconds_s[-1] <= time.time(), "all can be re-timed"


def own_times(box: Inside) -> dict[int, float]:
    """Number of each message that is recorded -> the time its sensor gave it, in seconds."""
    index = next(s.index for s in box.service._config.settings.signals if s.name == "number")
    return {
        int(value): own_us / 1e6
        for _, records in box.service.recorder.read(0)
        for record in records
        if isinstance(record, Samples)
        for value, own_us in zip(
            record.value[record.signal == index],
            record.own_us[record.signal == index].tolist(),
            strict=True,
        )
    }
