"""The turn: what is judged, what is safe when, what stands in the record and the journal."""

import time
from collections.abc import Sequence
from typing import NamedTuple

import pytest
import structlog

from condmon.clock import Clock
from condmon.engine.decode import Arrived
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert, Entry
from condmon.engine.records import SECOND_US, Beacon, Gap, Record, Samples, Started
from condmon.errors import StoreError
from condmon.store.journal import Reader
from condmon.store.lock import LockedError
from tests.shops import TOPIC, FullDisk, Shop, arrived, payload, publish, recorded, rows, shop
from tests.waiting import until

__all__ = ["shop"]


def test_a_hot_bearing_raises_one_alert_and_its_end_is_written(shop):
    service = shop.service()
    shop.live(service, 5, 40.0)
    shop.live(service, 8, 60.0)
    [(check, _, is_open)] = shop.alerts()
    assert ("bearing-over-limit", True) == (check, is_open)
    shop.live(service, 8, 40.0)
    assert [False] == [is_open for _, _, is_open in shop.alerts()]


def test_every_turn_with_records_ends_with_a_beacon_and_an_idle_one_writes_little(shop):
    service = shop.service()
    shop.live(service, 3, 40.0)
    batches = [records for _, records in service.recorder.read(0)]
    assert all(isinstance(records[-1], Beacon) for records in batches[1:])
    before = service.recorder.last_offset()
    for _ in range(3):
        service.step()
    assert before == service.recorder.last_offset()


def test_first_record_says_that_condmon_started_and_a_long_absence_is_a_gap(shop):
    first = shop.service()
    shop.live(first, 3, 40.0)
    shop.leave(first)
    shop.clock.pass_s(300)
    second = shop.service()
    shop.live(second, 3, 40.0)
    started = [r for r in recorded(second) if isinstance(r, Started)]
    assert [False, True] == [record.restart for record in started]
    [gap] = [r for r in recorded(second) if isinstance(r, Gap)]
    assert 300 == pytest.approx((gap.to_us - gap.from_us) / SECOND_US, abs=1)
    assert "condmon was not running: nothing for 5 min" in shop.texts("gap")


def test_clock_put_forward_is_followed_and_told_once(shop):
    service = shop.service()
    shop.live(service, 3, 40.0)
    before_us = service.standing.now_us
    shop.clock.step_wall_s(3600)
    shop.live(service, 3, 40.0)
    assert service.standing.now_us - before_us >= 3600 * SECOND_US
    moved = [text for text in shop.texts("action") if "was put 3600 s forward" in text]
    assert 1 == len(moved)


def test_clock_put_back_is_told_and_own_time_goes_on(shop):
    service = shop.service()
    shop.live(service, 3, 40.0)
    before_us = service.standing.now_us
    shop.clock.step_wall_s(-3600)
    shop.live(service, 3, 40.0)
    assert 0 < service.standing.now_us - before_us < 60 * SECOND_US
    assert [text for text in shop.texts("action") if "was put 3600 s back" in text]


def test_snapshot_is_kept_every_ten_minutes_and_when_the_day_asks(shop):
    service = shop.service()
    shop.live(service, 1, 40.0)
    with Reader(shop.store) as reader:
        at_start = reader.last_snapshot()
        shop.clock.pass_s(601)
        service.step()
        ten_minutes = reader.last_snapshot()
        service._snapshot_asked.set()
        shop.live(service, 1, 40.0)
        asked = reader.last_snapshot()
    offsets = [kept[1] for kept in (at_start, ten_minutes, asked) if kept is not None]
    assert 3 == len(set(offsets))
    assert sorted(offsets) == offsets


def test_memory_that_is_free_is_given_back_once_a_minute(shop, monkeypatch):
    given = []
    monkeypatch.setattr("condmon.daemon.service.give_back", lambda: given.append(1))
    service = shop.service()
    shop.live(service, 1, 40.0)
    given.clear()
    for _ in range(300):
        shop.clock.pass_s(1)
        service.step()
    assert len(given) in {4, 5}


def test_short_disk_is_told_once(shop, monkeypatch):
    service = shop.service()
    monkeypatch.setattr("condmon.history.chore.shutil.disk_usage", lambda _: Disk(free=1000))
    with structlog.testing.capture_logs() as lines:
        service._history._look_at_disk()
        service._history._look_at_disk()
    assert [("disk space is short", 0, 1)] == [
        (line["event"], line["free_mb"], line["wanted_mb"]) for line in lines
    ]


class Disk(NamedTuple):
    free: int


def test_live_run_equals_its_recording_pushed_again(shop):
    service = shop.service()
    for value in (40.0, 60.0, 40.0, 61.0):
        shop.live(service, 7, value)
    engine, alerts, entries = Engine(service.standing.engine.settings), {}, {}
    for _, records in service.recorder.read(0):
        for output in engine.push(records):
            if isinstance(output, Alert):
                alerts[output.id] = output
            elif isinstance(output, Entry):
                entries[output.id] = output
    with Reader(shop.store) as reader:
        assert {alert.id: alert for alert in reader.alerts(open_only=False)} == alerts
        assert {entry.id: entry for entry in reader.entries(1000)} == entries
    assert 2 <= len(alerts)


def test_message_that_stops_the_decoder_is_left_out_and_told_and_the_others_go_on(
    shop, monkeypatch
):
    service = shop.service()
    shop.live(service, 1, 40.0)
    decode = service._decoding._decoder.decode

    def brittle(messages: Sequence[Arrived]) -> list[Record]:
        if any(b"poison" in message.payload for message in messages):
            raise ZeroDivisionError("a bug the test put in")
        return decode(messages)

    monkeypatch.setattr(service._decoding._decoder, "decode", brittle)
    at_us, before = shop.clock.now_us(), service.recorder.last_offset()
    sound = [arrived(at_us + n, 40.0, n) for n in range(4)]
    service.inbox.put([*sound[:2], Arrived(at_us, TOPIC, b"poison"), *sound[2:]])
    with structlog.testing.capture_logs() as lines:
        service.step()
    records = recorded(service, after=before)
    assert 2 * 4 == rows(records)
    assert [1] == [record.lost for record in records if isinstance(record, Gap)]
    assert [b"poison".hex()] == [line["start"] for line in lines if "start" in line]


def test_journal_that_cannot_be_written_is_told_once_and_gets_all_of_it_later(shop, monkeypatch):
    service = shop.service()
    shop.live(service, 3, 40.0)
    write, full = service.journal.write, True

    def refused(*words: object) -> None:
        if full:
            raise StoreError("cannot write the journal: no room")
        write(*words)

    monkeypatch.setattr(service.journal, "write", refused)
    with structlog.testing.capture_logs() as lines:
        shop.live(service, 8, 60.0)
    assert [] == shop.alerts()
    assert 1 == len([line for line in lines if line["event"] == "the journal cannot be written"])
    full = False
    shop.live(service, 1, 60.0)
    assert [True] == [is_open for *_, is_open in shop.alerts()]


def test_folder_that_cannot_be_used_is_told_in_words(tmp_path):
    shop = Shop(tmp_path)
    shop.store.write_text("a file where the folder should be")
    with pytest.raises((StoreError, LockedError), match="store"):
        shop.service()


@pytest.mark.broker
def test_nothing_is_acknowledged_before_it_is_on_disk(tmp_path, mosquitto, monkeypatch):
    shop = Shop(tmp_path, mosquitto.url)
    first = shop.service(Clock())
    until(lambda: first.step() or first.mqtt.up, 10, "up")
    publish(mosquitto, [payload(time.time_ns() // 1000, 40.0, 0)])
    until(lambda: first.step() or first.mqtt.counts.acknowledged == 1, 10)
    FullDisk(first, monkeypatch)
    big = [payload(time.time_ns() // 1000 + n, 40.0 + n / 7, n) for n in range(1, 900)]
    publish(mosquitto, big)
    until(lambda: first.step() or first.mqtt.counts.messages >= 900, 10)
    held = 900 - first.mqtt.counts.acknowledged
    assert held > 0
    shop.abandon(first)
    second = shop.service(Clock())
    until(lambda: second.step() or second.mqtt.counts.acknowledged >= held, 10)
    numbers = {
        int(value)
        for record in recorded(second)
        if isinstance(record, Samples)
        for value in record.value[record.signal == 1]
    }
    assert set(range(900)) == numbers
    shop.close()


@pytest.mark.broker
def test_messages_that_waited_at_the_broker_are_judged_at_their_own_time(tmp_path, mosquitto):
    shop = Shop(tmp_path, mosquitto.url)
    first = shop.service(Clock())
    until(lambda: first.step() or first.mqtt.up, 10, "up")
    publish(mosquitto, [payload(time.time_ns() // 1000, 40.0, 0)])
    until(lambda: first.step() or first.mqtt.counts.acknowledged == 1, 10)
    shop.leave(first)
    begin_us = time.time_ns() // 1000 + SECOND_US
    sent = [(begin_us + n * SECOND_US, 60.0 if 20 <= n < 40 else 40.0) for n in range(60)]
    publish(mosquitto, [payload(at_us, value, n) for n, (at_us, value) in enumerate(sent)])
    later = Clock(start_us=begin_us + 62 * SECOND_US)  # so the hole need not be waited for
    second = shop.service(later)
    until(lambda: second.step() or not second._pace.behind, 15, "caught up")
    until(lambda: second.step() or [a for a in shop.alerts() if not a[2]], 15, "raised and ended")
    [(check, began_us, _)] = shop.alerts()
    assert "bearing-over-limit" == check
    assert 1 >= abs(began_us - sent[20][0]) / SECOND_US
    shop.close()


@pytest.mark.broker
def test_messages_that_make_no_record_are_acknowledged_too_and_what_follows_is_heard(
    tmp_path, mosquitto
):
    """Else they would fill up what the broker lets be under way, and nothing came any more."""
    shop = Shop(tmp_path, mosquitto.url)
    config = shop.folder / "condmon.toml"
    limits = 'also = ["pier/#"]\nreceive_maximum = 20\n[store]'
    config.write_text(config.read_text().replace("[store]", limits))
    service = shop.service(Clock())
    until(lambda: service.step() or service.mqtt.up, 10, "up")
    publish(mosquitto, [b"21.5"] * 500, "pier/unknown")
    until(lambda: service.step() or service.mqtt.counts.acknowledged == 500, 15)
    publish(mosquitto, [payload(time.time_ns() // 1000, 40.0, 7)])
    until(lambda: service.step() or rows(recorded(service)), 10, "it is heard")
    shop.close()
