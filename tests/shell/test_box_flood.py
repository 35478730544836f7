"""Case O11 on a daemon of its own: topics without end, a burst, payloads that are none."""

import time
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from condmon.engine.decode import STRAYS_MAX
from condmon.store.journal import Reader
from tests.brokers import Mosquitto
from tests.daemons import MILL, Daemon
from tests.inside import GATE
from tests.memory import rss_mb
from tests.receivers import web
from tests.shell.test_box_troubles import started
from tests.shops import TOPIC, payload
from tests.waiting import until

__all__ = ["started", "web"]
pytestmark = [pytest.mark.broker, pytest.mark.slow]
TOPICS = 10_000  # a round
DRAINED_S = 20.0
DELAY_MAX_S = 1.0


class Plant:
    """Sends and waits until the broker has it."""

    def __init__(self, mosquitto: Mosquitto) -> None:
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self._client.max_inflight_messages = 1000
        self._client.connect("127.0.0.1", mosquitto.port)
        self._client.loop_start()
        self._topics = 0

    def send(self, messages: list[tuple[str, bytes]]) -> None:
        for sent in [self._client.publish(topic, body, qos=1) for topic, body in messages]:
            sent.wait_for_publish(60)

    def new_topics(self) -> list[tuple[str, bytes]]:
        """As a gateway does that puts a number of its own into each topic."""
        first, self._topics = self._topics, self._topics + TOPICS
        return [(f"pier/job/{n}/temp", b"21.5") for n in range(first, self._topics)]

    def close(self) -> None:
        self._client.loop_stop()


@pytest.fixture
def plant(mosquitto):
    made = Plant(mosquitto)
    yield made
    made.close()


def heard_s(daemon: Daemon, plant: Plant, web, value: float) -> float:
    """How soon a hot bearing is told, from when the reading that completes it could be known."""
    begun_s, told = time.monotonic(), len(web.requests)
    until(
        lambda: plant.send([(TOPIC, payload(time.time_ns() // 1000, value, 1))])
        or len(web.requests) > told,
        DRAINED_S, every_s=0.1,
    )  # fmt: skip
    return time.monotonic() - begun_s


def files(daemon: Daemon) -> int:
    assert daemon.process is not None
    return len(list(Path(f"/proc/{daemon.process.pid}/fd").iterdir()))


def threads(daemon: Daemon) -> int:
    assert daemon.process is not None
    return len(list(Path(f"/proc/{daemon.process.pid}/task").iterdir()))


def test_topics_without_end_and_payloads_that_are_none_cost_no_memory_and_little_log(
    tmp_path, mosquitto, plant, web, started
):
    daemon = Daemon(tmp_path, mosquitto.url, MILL + GATE.format(url=web.url))
    text = daemon.config.read_text().replace("[store]", 'also = ["pier/#"]\n[store]')
    daemon.config.write_text(text)
    started(daemon)
    daemon.until_logged("connected to the broker")
    assert daemon.process is not None
    pid = daemon.process.pid
    plant.send(plant.new_topics())
    drained(daemon, plant)
    warm_mb, warm_files, warm_threads = rss_mb(pid), files(daemon), threads(daemon)
    for _ in range(3):
        plant.send(plant.new_topics())
        plant.send([(TOPIC, b"not a number")] * 1000)
    drained(daemon, plant)
    grown_mb = rss_mb(pid) - warm_mb
    print(f"{warm_mb:.1f} MB after {TOPICS} topics, {grown_mb:+.1f} MB after {4 * TOPICS}")
    assert grown_mb < 8
    assert (files(daemon), threads(daemon)) <= (warm_files + 2, warm_threads + 1)
    assert len(daemon.log().splitlines()) < 20
    with Reader(daemon.store) as reader:
        assert STRAYS_MAX < len(reader.entries(10_000, kind="topic")) <= STRAYS_MAX + 1
        assert len(reader.entries(100_000)) < STRAYS_MAX + 50
    # tick, lateness and hold take 4 s; the rest is delay
    assert heard_s(daemon, plant, web, 60.0) < 4 + DELAY_MAX_S
    assert 0 == daemon.stop()


def drained(daemon: Daemon, plant: Plant) -> None:
    """Until what is sent now is judged: then all that was sent before is."""
    with Reader(daemon.store) as reader:
        before = reader.offset()
        plant.send([(TOPIC, payload(time.time_ns() // 1000, 40.0, 1))])
        until(lambda: reader.offset() > before + 3, DRAINED_S, "the burst is drained")
