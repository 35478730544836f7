"""Disk in trouble: the watch goes on from memory, inside a bound, and says what is lost."""

import structlog

from condmon.engine.records import Beacon, Gap
from condmon.mqtt.connection import MID_BITS
from tests.shops import FullDisk, recorded, rows, shop

__all__ = ["shop"]


def test_full_disk_the_watch_goes_on_from_memory_and_all_is_written_when_there_is_room(
    shop, monkeypatch
):
    service = shop.service()
    shop.live(service, 3, 40.0)
    disk = FullDisk(service, monkeypatch)
    before = service.recorder.last_offset()
    with structlog.testing.capture_logs() as lines:
        shop.live(service, 8, 60.0)
    assert ["bearing-over-limit"] == [a.check for a in service.standing.engine.open_alerts()]
    assert before == service.recorder.last_offset()
    assert 1 == len([line for line in lines if line["event"] == "the disk takes nothing"])
    disk.full = False
    shop.live(service, 3, 60.0)
    records = recorded(service, after=before)
    assert 2 * (8 + 3) == rows(records)
    times = [record.at_us for record in records if isinstance(record, Beacon)]
    assert sorted(times) == times
    assert [True] == [is_open for *_, is_open in shop.alerts()]


def test_a_kill_while_records_wait_leaves_no_alert_that_nobody_would_end(shop, monkeypatch):
    first = shop.service()
    shop.live(first, 3, 40.0)
    FullDisk(first, monkeypatch)  # of the records alone: the journal could be written
    shop.live(first, 8, 60.0)
    shop.abandon(first)
    second = shop.service()
    shop.live(second, 3, 40.0)
    assert [] == shop.alerts()


def test_acknowledgements_of_a_connection_that_is_gone_do_not_count(shop, monkeypatch):
    service = shop.service()
    FullDisk(service, monkeypatch)
    spool = service._spool
    spool._tickets_max = 3
    old, new = 1 << MID_BITS, 2 << MID_BITS
    assert () == spool.append([Beacon(1)], [old | 1, old | 2])
    assert () == spool.append([Beacon(2)], [new | 1, new | 2])
    assert () == spool.append([Beacon(3)], [new | 3])
    assert [new | 1, new | 2, new | 3, new | 4] == spool.append([Beacon(4)], [new | 4])


def test_memory_that_is_full_drops_the_oldest_and_a_gap_tells_how_much(shop, monkeypatch):
    monkeypatch.setattr("condmon.store.spool.ROWS_MAX", 10)
    service = shop.service()
    shop.live(service, 3, 40.0)
    disk = FullDisk(service, monkeypatch)
    before = service.recorder.last_offset()
    shop.live(service, 20, 40.0)
    disk.full = False
    shop.live(service, 3, 40.0)
    [gap] = [record for record in recorded(service) if isinstance(record, Gap)]
    assert 2 * 20 - 10 == gap.lost
    assert rows(recorded(service, after=before)) == 10 + 2 * 3


def test_messages_without_a_record_are_acknowledged_at_once_or_behind_what_waits(shop, monkeypatch):
    service = shop.service()
    spool, before = service._spool, service.recorder.last_offset()
    assert [7, 8] == spool.append([], [7, 8])
    assert before == service.recorder.last_offset()
    disk = FullDisk(service, monkeypatch)
    assert () == spool.append([Beacon(1)], [9])
    assert () == spool.append([], [10])
    assert 1 == spool.waiting
    disk.full = False
    assert [9, 10, 11] == spool.append([], [11])
    assert before + 1 == service.recorder.last_offset()
