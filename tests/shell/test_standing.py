"""The engine comes up again: snapshot, recordings, changed settings, wrong clocks, own faults."""

import sqlite3
from collections.abc import Sequence

import pytest
import structlog

from condmon.engine.engine import Engine
from condmon.engine.outputs import Output
from condmon.engine.records import SECOND_US, Record, Samples
from condmon.store.journal import Reader
from tests.daemons import MILL
from tests.shops import shop

__all__ = ["shop"]


def test_after_a_stop_the_snapshot_serves_and_alerts_go_on(shop):
    first = shop.service()
    shop.live(first, 8, 60.0)
    assert shop.alerts()
    alerts = shop.alerts()
    shop.leave(first)
    second = shop.service()
    assert first.standing.now_us == second.standing.now_us
    shop.live(second, 3, 60.0)
    assert alerts == shop.alerts()


def test_abandoned_without_a_snapshot_it_comes_up_from_the_recordings(shop):
    first = shop.service()
    shop.live(first, 8, 60.0)
    assert shop.alerts()
    alerts, state = shop.alerts(), first.standing.engine.snapshot()
    shop.abandon(first)
    second = shop.service()
    assert state == second.standing.engine.snapshot()
    assert alerts == shop.alerts()


def test_outputs_that_did_not_reach_the_journal_are_written_at_the_next_start(shop):
    first = shop.service()
    shop.live(first, 8, 60.0)
    assert shop.alerts()
    alerts, texts = shop.alerts(), shop.texts("alert")
    shop.abandon(first)
    for path in shop.store.glob("journal.db*"):
        path.unlink()
    shop.service()
    assert alerts == shop.alerts()
    assert texts == shop.texts("alert")


def test_unreadable_snapshot_is_told_and_the_recordings_serve(shop):
    first = shop.service()
    shop.live(first, 8, 60.0)
    assert shop.alerts()
    alerts = shop.alerts()
    shop.leave(first)
    db = sqlite3.connect(shop.store / "journal.db")
    with db:
        db.execute("UPDATE snapshot SET body = zeroblob(100)")
    db.close()
    with structlog.testing.capture_logs() as lines:
        second = shop.service()
    assert first.standing.now_us == second.standing.now_us
    assert alerts == shop.alerts()
    assert "engine is built up from recordings" in [line["event"] for line in lines]


def test_changed_configuration_keeps_what_is_open_and_tells_nothing_twice(shop):
    first = shop.service()
    shop.live(first, 8, 60.0)
    shop.live(first, 8, 40.0)
    shop.live(first, 8, 60.0)
    assert shop.alerts()
    alerts = shop.alerts()
    assert [False, True] == [is_open for *_, is_open in alerts]
    with Reader(shop.store) as reader:
        entries = len(reader.entries(1000))
    shop.leave(first)
    shop.configure(MILL + "# a remark\n")
    second = shop.service()
    assert alerts == shop.alerts()
    second.step()
    shop.live(second, 3, 60.0)
    assert alerts == shop.alerts()
    with Reader(shop.store) as reader:
        news = reader.entries(1000)[: len(reader.entries(1000)) - entries]
    assert {"start", "link", "service"} >= {entry.kind for entry in news}


def test_alert_whose_check_left_the_configuration_is_closed(shop):
    first = shop.service()
    shop.live(first, 8, 60.0)
    shop.leave(first)
    shop.configure(MILL.replace("bearing > 50", "bearing > 70"))
    with structlog.testing.capture_logs() as lines:
        second = shop.service()
    assert [False] == [is_open for *_, is_open in shop.alerts()]
    assert "open alerts of before were closed" in [line["event"] for line in lines]
    assert "closed, because the configuration was changed: Bearing hot" in shop.texts("alert")
    shop.live(second, 3, 60.0)
    assert [False] == [is_open for *_, is_open in shop.alerts()]


@pytest.mark.parametrize("back_s", [90, 3600, 56 * 365 * 86400])
def test_clock_that_lost_its_time_goes_on_from_the_last_record(shop, back_s):
    first = shop.service()
    shop.live(first, 8, 60.0)
    alerts, last_us = shop.alerts(), first.standing.now_us
    shop.leave(first)
    shop.clock._at_us -= back_s * SECOND_US
    second = shop.service()
    shop.live(second, 3, 60.0)
    assert alerts == shop.alerts()
    assert 0 < second.standing.now_us - last_us < 60 * SECOND_US


def test_record_of_a_clock_that_was_ten_years_ahead_is_left_behind(shop):
    shop.clock.pass_s(10 * 365 * 86400)
    first = shop.service()
    shop.live(first, 8, 60.0)
    shop.leave(first)
    shop.clock._at_us -= 10 * 365 * 86400 * SECOND_US
    second = shop.service()
    assert [False] == [is_open for *_, is_open in shop.alerts()]
    shop.live(second, 8, 60.0)
    assert [True, False] == [is_open for *_, is_open in sorted(shop.alerts(), key=lambda a: a[1])]
    now_us = second.standing.now_us
    shop.abandon(second)
    assert now_us == shop.service().standing.now_us


class BrittleEngine(Engine):
    """An engine with a bug: the value 66.6 is too much for it."""

    def push(self, records: Sequence[Record]) -> list[Output]:
        for record in records:
            if isinstance(record, Samples) and (record.value == 66.6).any():
                raise ZeroDivisionError("a bug the test put in")
        return super().push(records)


def test_batch_that_stops_the_engine_three_times_is_set_aside_and_the_watch_goes_on(
    shop, monkeypatch
):
    monkeypatch.setattr("condmon.daemon.standing.Engine", BrittleEngine)
    service = shop.service()
    shop.live(service, 5, 40.0)
    with structlog.testing.capture_logs() as lines:
        shop.live(service, 1, 66.6)
    faults = [line for line in lines if line["event"] == "fault in the engine"]
    assert 3 == len(faults)
    assert "batch was set aside" in [line["event"] for line in lines]
    assert "ZeroDivisionError" not in str(shop.texts("gap"))
    assert any("a fault in condmon itself" in text for text in shop.texts("gap"))
    shop.live(service, 8, 60.0)
    assert [("bearing-over-limit", True)] == [
        (check, is_open) for check, _, is_open in shop.alerts()
    ]
    gaps, alerts = shop.texts("gap"), shop.alerts()
    shop.abandon(service)
    with structlog.testing.capture_logs() as lines:
        shop.service()
    assert [] == [line for line in lines if line["event"] == "fault in the engine"]
    assert (gaps, alerts) == (shop.texts("gap"), shop.alerts())
