"""The daemon as a process: one a folder, clean and quick to stop, heard by the service manager."""

import ctypes
import os
import signal
import socket
import threading
import time
from pathlib import Path

import orjson
import pytest

from condmon.clock import Clock
from condmon.config import load
from condmon.daemon.service import Service
from condmon.daemon.systemd import notify
from condmon.engine.engine import Engine
from condmon.engine.records import Samples
from condmon.store import lock
from condmon.store.journal import Reader
from condmon.store.recorder import Recorder
from tests.daemons import MILL, Daemon
from tests.shops import Shop, payload, publish
from tests.waiting import until


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


class Manager:
    """The service manager's end of NOTIFY_SOCKET."""

    def __init__(self, folder: Path, monkeypatch) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(folder / "notify"))
        self._socket.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(folder / "notify"))
        monkeypatch.setattr("condmon.daemon.watchdog.EVERY_S", 0.0)

    def heard(self) -> set[bytes]:
        """What came since it was asked last."""
        found: set[bytes] = set()
        try:
            while True:
                found |= set(self._socket.recv(1000).split(b"\n"))
        except BlockingIOError:
            return found

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def manager(tmp_path, monkeypatch):
    made = Manager(tmp_path, monkeypatch)
    yield made
    made.close()


def test_service_manager_hears_ready_watchdog_and_stopping(tmp_path, manager):
    shop = Shop(tmp_path)
    service = shop.service()
    service.step()
    shop.leave(service)
    assert {b"READY=1", b"WATCHDOG=1", b"STOPPING=1"} <= manager.heard()


def test_a_turn_that_hangs_feeds_the_watchdog_no_more(tmp_path, manager):
    shop = Shop(tmp_path)
    service = Service(load(shop.folder / "condmon.toml"), shop.clock)
    stop = threading.Event()
    turning = threading.Thread(target=service.run, args=(stop,), daemon=True)
    turning.start()
    until(lambda: b"WATCHDOG=1" in manager.heard(), 20, "it turns")
    with service.inbox._change:  # another thread keeps what the turn waits for
        begun_s = time.monotonic()
        until(lambda: time.monotonic() - begun_s > 0.5, 5)
        manager.heard()  # of the turn before
        begun_s = time.monotonic()
        until(lambda: manager.heard() or time.monotonic() - begun_s > 1, 5)
        silent_s = time.monotonic() - begun_s
    until(lambda: b"WATCHDOG=1" in manager.heard(), 20, "it goes on")
    stop.set()
    turning.join(20)
    assert not turning.is_alive()
    assert 1 < silent_s


@pytest.mark.broker
def test_to_the_service_manager_a_changed_configuration_is_a_reload_and_no_end(
    tmp_path, mosquitto, manager
):
    """One that was told of an end kills the process that goes on after a while."""
    daemon = Daemon(tmp_path / "d", mosquitto.url)
    daemon.notify = os.environ["NOTIFY_SOCKET"]
    daemon.start()
    until(lambda: b"READY=1" in manager.heard(), 20, "it is up")
    daemon.config.write_text(daemon.config.read_text().replace("bearing > 50", "bearing > 51"))
    assert daemon.process is not None
    daemon.process.send_signal(signal.SIGHUP)
    heard: set[bytes] = set()
    until(lambda: heard.update(manager.heard()) or b"READY=1" in heard, 20, "it is up again")
    assert b"RELOADING=1" in heard
    assert [line for line in heard if line.startswith(b"MONOTONIC_USEC=")]
    assert b"STOPPING=1" not in heard
    assert 0 == daemon.stop()
    assert b"STOPPING=1" in manager.heard()


def test_the_watchdog_is_fed_while_the_engine_is_built_up(tmp_path, manager, monkeypatch):
    monkeypatch.setattr("condmon.daemon.standing.BATCHES_AT_ONCE", 1)
    shop, listens = Shop(tmp_path), os.environ["NOTIFY_SOCKET"]
    monkeypatch.setenv("NOTIFY_SOCKET", "")
    service = shop.service()
    shop.live(service, 5, 40.0)
    shop.leave(service)
    monkeypatch.setenv("NOTIFY_SOCKET", listens)
    fed: list[int] = []
    pushed = Engine.push
    monkeypatch.setattr(
        Engine, "push", lambda *a: (fed.append(b"WATCHDOG=1" in manager.heard()), pushed(*a))[1]
    )
    shop.configure(MILL.replace("bearing > 50", "bearing > 51"))
    service = shop.service()
    assert len(fed) > 3
    assert [False, *[True] * (len(fed) - 1)] == fed
    shop.leave(service)


def test_a_service_manager_that_reads_nothing_holds_nothing_up(manager, monkeypatch):
    monkeypatch.setattr("condmon.daemon.systemd.WITHIN_S", 0.001)
    begun_s = time.monotonic()
    for _ in range(600):  # more than a socket keeps
        notify("WATCHDOG=1")
    assert 0.05 < time.monotonic() - begun_s < 30


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
@pytest.mark.parametrize("which", ["outbox", "asked"])
def test_a_thread_that_has_ended_ends_the_feeding_of_the_watchdog(tmp_path, manager, which):
    shop = Shop(tmp_path)
    service = shop.service()
    until(lambda: service.step() or b"WATCHDOG=1" in manager.heard(), 10)
    thread = {"outbox": service._outbox_thread, "asked": service._asked.thread}[which]
    raised = ctypes.pythonapi.PyThreadState_SetAsyncExc(
        ctypes.c_ulong(thread.ident), ctypes.py_object(SystemExit)
    )
    assert 1 == raised
    until(lambda: not thread.is_alive(), 10, "the thread has ended")
    manager.heard()
    for _ in range(3):
        service.step()
    assert b"WATCHDOG=1" not in manager.heard()
    shop.leave(service)
    assert b"STOPPING=1" in manager.heard()
