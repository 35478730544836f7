"""The turn and the life of the daemon: what is safe when, what comes up again, what it tells."""

import json
import os
import signal
import socket
import sqlite3
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import orjson
import paho.mqtt.client as paho
import pytest
import structlog

from condmon import lock
from condmon.clock import Clock
from condmon.config import load
from condmon.engine.decode import Arrived
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert, Entry, Output
from condmon.engine.records import SECOND_US, Beacon, Gap, Record, Samples, Started
from condmon.errors import StoreError
from condmon.journal import Reader
from condmon.lock import LockedError
from condmon.service import Service
from tests.brokers import Mosquitto, free_port
from tests.daemons import HEAD, MILL, Daemon
from tests.fakes import FakeClock
from tests.waiting import until

TOPIC = "pier/mill-1/bearing"


def payload(at_us: int, value: float, n: int) -> bytes:
    return json.dumps({"v": value, "n": n, "t": at_us / 1e6}).encode()


def arrived(at_us: int, value: float, n: int) -> Arrived:
    return Arrived(at_us, TOPIC, payload(at_us, value, n))


class Shop:
    """A folder with a configuration, and services that live in it one after the other."""

    def __init__(self, folder: Path, url: str = "", text: str = MILL) -> None:
        self.folder = folder
        self.store = folder / "store"
        self.clock = FakeClock()
        self._url = url or f"mqtt://127.0.0.1:{free_port()}"
        self._services: list[Service] = []
        self.configure(text)

    def configure(self, text: str) -> None:
        (self.folder / "condmon.toml").write_text(HEAD.format(url=self._url) + text)

    def service(self, clock: FakeClock | Clock | None = None) -> Service:
        config = load(self.folder / "condmon.toml")
        service = Service(config, clock or self.clock)
        service.start()
        self._services.append(service)
        return service

    def live(self, service: Service, seconds: int, value: float) -> None:
        """Second by second one message, as if the link were there."""
        until(lambda: service.step() or not service.mqtt.reason.startswith("not"), 10)
        self.clock.pass_s(11)  # no broker: time does not wait for it any longer
        service.step()
        for n in range(seconds):
            self.clock.pass_s(1)
            service.inbox.put([arrived(self.clock.now_us(), value, n)])
            service.step()

    def leave(self, service: Service) -> None:
        self._services.remove(service)
        service.stop()

    def abandon(self, service: Service) -> None:
        """What a kill does, inside one process: no last turn, no snapshot."""
        self._services.remove(service)
        service._stopping.set()
        service._jobs.stop()
        service.mqtt.stop(5)
        service._outbox_thread.join(5)
        service._outbox.close()
        service.recorder.close()
        service.journal.close()
        service._lock.release()

    def close(self) -> None:
        while self._services:
            self.abandon(self._services[-1])

    def texts(self, kind: str) -> list[str]:
        with Reader(self.store) as reader:
            return [entry.text for entry in reader.entries(1000, kind=kind)]

    def alerts(self) -> list[tuple[str, int, bool]]:
        with Reader(self.store) as reader:
            return [(a.check, a.began_us, a.ended_us is None)
                    for a in reader.alerts(open_only=False) if a.machine == "mill-1"]  # fmt: skip


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shop]:
    monkeypatch.setattr("condmon.service.TURN_S", 0.0)
    shop = Shop(tmp_path)
    yield shop
    shop.close()


def recorded(service: Service, after: int = 0) -> list[Record]:
    return [record for _, records in service.recorder.read(after) for record in records]


def rows(records: Sequence[Record]) -> int:
    return sum(len(record) for record in records if isinstance(record, Samples))


def publish(mosquitto: Mosquitto, payloads: Sequence[bytes]) -> None:
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    client.max_inflight_messages = 1000
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    for sent in [client.publish(TOPIC, one, qos=1) for one in payloads]:
        sent.wait_for_publish(20)
    client.disconnect()
    client.loop_stop()


# the turn


def test_a_hot_bearing_raises_one_alert_and_its_end_is_written(shop):
    service = shop.service()
    shop.live(service, 5, 40.0)
    shop.live(service, 8, 60.0)
    [(check, _, is_open)] = shop.alerts()
    assert ("bearing-hot", True) == (check, is_open)
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


# coming up again


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
    assert {"start", "link"} >= {entry.kind for entry in news}


def test_alert_whose_check_left_the_configuration_is_closed(shop):
    first = shop.service()
    shop.live(first, 8, 60.0)
    shop.leave(first)
    shop.configure(MILL.replace("bearing > 50", "bearing > 70"))
    with structlog.testing.capture_logs() as lines:
        second = shop.service()
    assert [False] == [is_open for *_, is_open in shop.alerts()]
    assert "open alerts of before were closed" in [line["event"] for line in lines]
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
    monkeypatch.setattr("condmon.standing.Engine", BrittleEngine)
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
    assert [("bearing-hot", True)] == [(check, is_open) for check, _, is_open in shop.alerts()]
    gaps, alerts = shop.texts("gap"), shop.alerts()
    shop.abandon(service)
    with structlog.testing.capture_logs() as lines:
        shop.service()
    assert [] == [line for line in lines if line["event"] == "fault in the engine"]
    assert (gaps, alerts) == (shop.texts("gap"), shop.alerts())


# disk in trouble


class FullDisk:
    """What the recorder meets on a disk without room, until `full` is taken away."""

    def __init__(self, service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
        self.full = True
        self._ready = service.recorder._ready
        monkeypatch.setattr(service.recorder, "_ready", self)

    def __call__(self) -> object:
        if self.full:
            raise sqlite3.OperationalError("database or disk is full")
        return self._ready()


def test_full_disk_the_watch_goes_on_from_memory_and_all_is_written_when_there_is_room(
    shop, monkeypatch
):
    service = shop.service()
    shop.live(service, 3, 40.0)
    disk = FullDisk(service, monkeypatch)
    before = service.recorder.last_offset()
    with structlog.testing.capture_logs() as lines:
        shop.live(service, 8, 60.0)
    assert [True] == [is_open for *_, is_open in shop.alerts()]
    assert before == service.recorder.last_offset()
    assert 1 == len([line for line in lines if line["event"] == "the disk takes nothing"])
    disk.full = False
    shop.live(service, 3, 60.0)
    records = recorded(service, after=before)
    assert 2 * (8 + 3) == rows(records)
    times = [record.at_us for record in records if isinstance(record, Beacon)]
    assert sorted(times) == times


def test_memory_that_is_full_drops_the_oldest_and_a_gap_tells_how_much(shop, monkeypatch):
    monkeypatch.setattr("condmon.spool.ROWS_MAX", 10)
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


def test_folder_that_cannot_be_used_is_told_in_words(tmp_path):
    shop = Shop(tmp_path)
    shop.store.write_text("a file where the folder should be")
    with pytest.raises((StoreError, LockedError), match="store"):
        shop.service()


# with a real broker


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
    assert "bearing-hot" == check
    assert 1 >= abs(began_us - sent[20][0]) / SECOND_US
    shop.close()


@pytest.mark.broker
def test_second_daemon_on_the_folder_is_refused_with_the_pid_before_it_connects(
    tmp_path, mosquitto
):
    first = Daemon(tmp_path, mosquitto.url).start()
    first.until_locked()
    first.until_logged("connected to the broker")
    second = Daemon(tmp_path, mosquitto.url).start()
    assert second.process is not None
    assert 1 == second.process.wait(20)
    assert f"another condmon (pid {first.process.pid}) already works" in first.errors()
    assert "Traceback" not in first.errors()
    assert 1 == first.log().count("connected to the broker")
    assert first.process.pid == lock.holder(first.store)
    assert 0 == first.stop()
    assert None is lock.holder(first.store)


@pytest.mark.broker
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_stop_is_clean_and_quick_and_keeps_the_session(tmp_path, mosquitto, number):
    daemon = Daemon(tmp_path, mosquitto.url).start()
    daemon.until_logged("connected to the broker")
    publish(mosquitto, [payload(time.time_ns() // 1000, 40.0, n) for n in range(500)])
    began_s = time.monotonic()
    assert daemon.process is not None
    os.kill(daemon.process.pid, number)
    assert 0 == daemon.process.wait(10)
    assert 3 > time.monotonic() - began_s
    lines = [orjson.loads(line) for line in daemon.log().splitlines()]
    assert "stopped" == lines[-1]["event"]
    assert lines[-1]["messages"] == lines[-1]["acknowledged"]
    assert len(lines) < 15
    assert "It only watches" in daemon.errors()
    with Reader(daemon.store) as reader:
        assert reader.last_snapshot() is not None
    publish(mosquitto, [payload(time.time_ns() // 1000, 40.0, n) for n in range(500, 520)])
    daemon.start()
    daemon.until_logged('"session":"resumed"')
    settings = load(daemon.config).settings

    def numbers() -> set[int]:
        from condmon.recorder import Recorder

        recorder = Recorder(daemon.store, settings.signals, Clock().now_us)
        found = {
            int(value)
            for _, records in recorder.read(0)
            for record in records
            if isinstance(record, Samples)
            for value in record.value[record.signal == 1]
        }
        recorder.close()
        return found

    until(lambda: set(range(520)) == numbers(), 15, "all are recorded")
    assert 0 == daemon.stop()


def test_wrong_configuration_is_told_in_words_with_exit_code_2(tmp_path):
    daemon = Daemon(tmp_path, "mqtt://127.0.0.1:1", "[[machin]]\nid = 3\n").start()
    assert daemon.process is not None
    assert 2 == daemon.process.wait(20)
    assert "machin" in daemon.errors()
    assert "Traceback" not in daemon.errors()
    assert not daemon.store.exists()


def test_service_manager_hears_ready_watchdog_and_stopping(tmp_path, monkeypatch):
    monkeypatch.setattr("condmon.service.WATCHDOG_EVERY_S", 0.0)
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(5)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        shop = Shop(tmp_path)
        service = shop.service()
        service.step()
        shop.leave(service)
        manager.setblocking(False)
        words: list[bytes] = []
        try:
            while True:
                words.append(manager.recv(1000))
        except BlockingIOError:
            pass
    lines = b"\n".join(words).split(b"\n")
    assert {b"READY=1", b"WATCHDOG=1", b"STOPPING=1"} <= set(lines)
