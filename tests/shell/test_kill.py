"""kill -9 of the daemon, again and again, while numbered messages flow: nothing lost or doubled."""

import json
import random
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as paho
import pytest

from condmon.clock import Clock
from condmon.config import load
from condmon.engine.decode import Arrived, Decoder
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert
from condmon.engine.records import SECOND_US, Beacon, Samples
from condmon.ledger.verify import verify
from condmon.store.journal import Reader
from condmon.store.recorder import Recorder
from tests.brokers import Mosquitto
from tests.daemons import Daemon
from tests.waiting import until

pytestmark = [pytest.mark.broker, pytest.mark.slow]
TOPIC = "pier/mill-1/bearing"
PER_S = 1000
COUNT = 20_000


class Publisher(threading.Thread):
    """Sends numbered messages with their own time; its session outlives the broker's restart."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self.sent: list[tuple[int, bytes]] = []  # own time, payload
        self._client = paho.Client(
            paho.CallbackAPIVersion.VERSION2, "publisher", clean_session=False
        )
        self._client.max_inflight_messages = 2000
        self._client.reconnect_delay_set(1, 1)
        self._client.on_publish = self._taken
        self.taken = 0
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _taken(self, *_: object) -> None:
        self.taken += 1

    def run(self) -> None:
        began_s = time.monotonic()
        for n in range(COUNT):
            while (early_s := began_s + n / PER_S - time.monotonic()) > 0:
                time.sleep(early_s)
            at_us = time.time_ns() // 1000
            value = 60.0 if n // (PER_S * 3) % 2 else 40.0 + n % 10 / 10
            payload = json.dumps({"v": value, "n": n, "t": at_us / 1e6}).encode()
            self.sent.append((at_us, payload))
            self._client.publish(TOPIC, payload, qos=1)
        until(lambda: self.taken >= COUNT, 60, "the broker took all")
        self._client.disconnect()
        self._client.loop_stop()


def alerts_without_interruption(daemon: Daemon, sent: list[tuple[int, bytes]]) -> dict[str, Alert]:
    """What one engine says that saw every message at its own time and never stopped."""
    settings = load(daemon.config).settings
    decoder, engine = Decoder(settings), Engine(settings)
    found: dict[str, Alert] = {}
    for first in range(0, len(sent), 100):
        part = sent[first : first + 100]
        records = decoder.decode([Arrived(at, TOPIC, payload) for at, payload in part])
        outputs = engine.push([*records, Beacon(part[-1][0])])
        found |= {output.id: output for output in outputs if isinstance(output, Alert)}
    outputs = engine.push([Beacon(sent[-1][0] + 10 * SECOND_US)])
    return found | {output.id: output for output in outputs if isinstance(output, Alert)}


def recorded_numbers(daemon: Daemon) -> np.ndarray:
    settings = load(daemon.config).settings
    recorder = Recorder(daemon.store, settings.signals, Clock().now_us)
    number = settings.machines[0].signals[1].index
    columns = [
        record.value[record.signal == number]
        for _, records in recorder.read(0)
        for record in records
        if isinstance(record, Samples)
    ]
    recorder.close()
    return np.concatenate(columns)


def counted_live(daemon: Daemon) -> dict[str, Any]:
    """Usage counters as the daemon left them after all its kills."""
    with Reader(daemon.store) as reader:
        found = reader.last_snapshot()
    assert found is not None
    counted = Engine.restore(load(daemon.config).settings, found[0]).usage()["mill-1"]
    assert sum(counted["duty_s"].values()) > COUNT / PER_S  # there is something to compare
    return counted


def counted_from_the_recording(daemon: Daemon) -> dict[str, Any]:
    """The same counters by one engine that never stopped."""
    settings = load(daemon.config).settings
    recorder = Recorder(daemon.store, settings.signals, Clock().now_us)
    engine = Engine(settings)
    for _, records in recorder.read(0):
        engine.push(records)
    recorder.close()
    return engine.usage()["mill-1"]


def told(alert: Alert) -> tuple[object, ...]:
    return (alert.id, alert.check, alert.began_us, alert.raised_us, alert.ended_us, alert.state)


@pytest.mark.parametrize("seed", [1])
def test_killed_at_random_nothing_is_lost_and_alerts_are_those_of_one_run(
    tmp_path: Path, mosquitto: Mosquitto, seed: int
) -> None:
    chance = random.Random(seed)
    daemon = Daemon(tmp_path / "daemon", mosquitto.url).start()
    daemon.until_logged("connected to the broker")
    publisher = Publisher(mosquitto.port)
    publisher.start()
    kills, restart_at = 0, chance.uniform(0.4, 0.6) * COUNT
    while publisher.is_alive():
        publisher.join(chance.uniform(0.6, 3.0))
        daemon.kill()
        kills += 1
        if restart_at and len(publisher.sent) > restart_at:
            mosquitto.restart()
            restart_at = 0
        daemon.start()
    assert kills >= 5
    last_us = publisher.sent[-1][0]
    with_end = last_us + 6 * SECOND_US
    until(lambda: (daemon.store / "journal.db").exists(), 10)

    def settled() -> bool:
        with Reader(daemon.store) as reader:
            return reader.written_us() > with_end

    until(settled, 40, "the journal has gone past the last message")
    assert 0 == daemon.stop()
    numbers = recorded_numbers(daemon)
    assert set(range(COUNT)) == set(numbers.astype(int).tolist())
    expected = alerts_without_interruption(daemon, publisher.sent)
    with Reader(daemon.store) as reader:
        alerts = [a for a in reader.alerts(open_only=False) if a.machine == "mill-1"]
    assert len(expected) >= 3
    assert sorted(map(told, expected.values())) == sorted(map(told, alerts))
    assert counted_from_the_recording(daemon) == counted_live(daemon)
    assert verify(daemon.store / "journal.db").whole
    assert "Traceback" not in daemon.errors()
    assert "fault" not in daemon.log()
