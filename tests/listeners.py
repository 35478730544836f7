"""The MQTT client with its inbox, and what came so far, for tests with a real broker."""

import contextlib
from collections.abc import Iterator
from typing import Self

import paho.mqtt.client as paho
import structlog

from condmon.clock import Clock
from condmon.config import Broker
from condmon.engine.decode import Arrived
from condmon.engine.records import Link
from condmon.mqtt.client import Mqtt
from condmon.mqtt.inbox import Inbox
from tests.brokers import Mosquitto
from tests.fakes import FakeClock
from tests.waiting import until

TOPIC = "pier/mill-1/bearing"


def broker_of(mosquitto: object, **changes: object) -> Broker:
    told: dict[str, object] = {
        "host": "127.0.0.1", "port": getattr(mosquitto, "port", 0), "tls": False, "ca_file": None,
        "cert_file": None, "key_file": None, "username": None, "password_file": None,
        "client_id": "condmon-test", "keepalive_s": 5,
    }  # fmt: skip
    return Broker(**{**told, **changes})  # type: ignore[arg-type]


class Heard:
    """A client with its inbox, and what came so far."""

    def __init__(self, broker: Broker, clock: Clock | FakeClock | None = None,
                 topics: tuple[str, ...] = (TOPIC,)) -> None:  # fmt: skip
        self.clock = clock or Clock()
        self.inbox = Inbox(self.clock.now_us)
        self.mqtt = Mqtt(broker, topics, self.inbox, self.clock)
        self.messages: list[Arrived] = []
        self.links: list[Link] = []
        self.tickets: list[int] = []

    def __enter__(self) -> Self:
        self.mqtt.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.mqtt.stop(5)

    def take(self, wait_s: float = 0.05) -> list[int]:
        taken = self.inbox.take(2000, wait_s)
        self.messages += [entry for entry in taken.entries if isinstance(entry, Arrived)]
        self.links += [entry for entry in taken.entries if isinstance(entry, Link)]
        self.tickets += taken.tickets
        return taken.tickets

    def until_up(self) -> None:
        until(lambda: self.take() is not None and self.mqtt.up, 10, "the link is up")

    def payloads(self) -> list[bytes]:
        return [message.payload for message in self.messages]

    def until_heard(self, count: int, seconds: float = 10) -> None:
        until(lambda: self.take() is not None and len(self.messages) >= count, seconds,
              f"{count} messages")  # fmt: skip

    def until_down(self, words: str, seconds: float = 20) -> None:
        def down() -> bool:
            self.take()
            return any(not link.up and words in link.reason for link in self.links)

        until(down, seconds, f"the link is down: {words!r} in {self.links}")


def publish(mosquitto: Mosquitto, payloads: list[bytes], retain: bool = False) -> None:
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.max_inflight_messages = 1000
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    sent = [client.publish(TOPIC, payload, qos=1, retain=retain) for payload in payloads]
    for one in sent:
        one.wait_for_publish(20)
    client.disconnect()
    client.loop_stop()


def numbered(first: int, count: int) -> list[bytes]:
    return [b"%d" % n for n in range(first, first + count)]


@contextlib.contextmanager
def logged() -> Iterator[list[dict[str, object]]]:
    with structlog.testing.capture_logs() as lines:
        yield lines
