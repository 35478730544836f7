"""A shop in a folder: its configuration, and services that live in it one after the other."""

import json
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from condmon.clock import Clock
from condmon.config import load
from condmon.daemon.service import Service
from condmon.engine.decode import Arrived
from condmon.engine.records import Record, Samples
from condmon.senders import make
from condmon.store.journal import Reader
from tests.brokers import Mosquitto, free_port
from tests.daemons import HEAD, MILL
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
        service = Service(config, clock or self.clock, make(config))
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
        for thread in (service._asked, service._mirror, service.page):
            if thread:
                thread.stop()
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
    monkeypatch.setattr("condmon.daemon.rhythm.TURN_S", 0.0)
    shop = Shop(tmp_path)
    yield shop
    shop.close()


def recorded(service: Service, after: int = 0) -> list[Record]:
    return [record for _, records in service.recorder.read(after) for record in records]


def rows(records: Sequence[Record]) -> int:
    return sum(len(record) for record in records if isinstance(record, Samples))


def publish(mosquitto: Mosquitto, payloads: Sequence[bytes], topic: str = TOPIC) -> None:
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    client.max_inflight_messages = 1000
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    for sent in [client.publish(topic, one, qos=1) for one in payloads]:
        sent.wait_for_publish(20)
    client.disconnect()
    client.loop_stop()


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
