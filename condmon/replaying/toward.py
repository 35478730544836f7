"""Sending to a broker: publishes, waits while too much is in flight, says what went wrong."""

import threading
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from condmon.config import Broker
from condmon.errors import CondmonError
from condmon.mqtt.linkwords import cannot_connect, refused, tls_context

CONNECT_S = 10.0
AWAY_MAX_S = 30.0
IN_FLIGHT = 1000
LAST_S = 20.0


class Toward:
    """A client that only publishes. Messages of QoS 1 that a lost connection had are sent again.

    Parameters
    ----------
    broker : Broker
        Where and as whom.
    qos : int
        0 or 1, of every message.
    monotonic_s : callable
        For deadlines.
    stop : Event
        Ends every wait.
    """

    def __init__(
        self, broker: Broker, qos: int, monotonic_s: Callable[[], float], stop: threading.Event
    ) -> None:
        self.sent = 0
        self.topics: set[str] = set()
        self._broker, self._qos, self._monotonic_s, self._stop = broker, qos, monotonic_s, stop
        self._done = 0  # taken by the broker, or by the network for QoS 0
        self._moved = threading.Condition()
        self._up = False
        self._why = "the broker does not answer"
        self._client = self._made()

    def connect(self) -> None:
        """Connect. Raises CondmonError in words."""
        broker = self._broker
        try:
            if broker.username is not None:
                self._client.username_pw_set(broker.username, _password(broker))
            if broker.tls:
                self._client.tls_set_context(tls_context(broker))
            self._client.connect(broker.host, broker.port, broker.keepalive_s)
        except (OSError, ValueError) as error:
            raise CondmonError(cannot_connect(error, broker).words) from error
        self._client.loop_start()
        self._wait(lambda: self._up or self._why != "the broker does not answer", CONNECT_S)
        if not self._up:
            raise CondmonError(f"{self._why}; nothing was sent")

    def put(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Send one message; waits while too many are under way. Raises CondmonError."""
        if self.sent - self._done >= IN_FLIGHT and not self._wait(
            lambda: self.sent - self._done < IN_FLIGHT, AWAY_MAX_S
        ):
            raise CondmonError(
                f"{self._why}: for {AWAY_MAX_S:.0f} s it took no message. {self._done} were taken "
                "until then; start the broker and send again."
            )
        try:
            self._client.publish(topic, payload, self._qos, retain)
        except ValueError as error:
            raise CondmonError(f"{topic!r:.80} cannot be sent: {error}") from error
        self.sent += 1
        self.topics.add(topic)

    def leave(self) -> None:
        """Wait until the last messages are taken, then disconnect."""
        if self._up:
            self._wait(lambda: self.sent <= self._done, LAST_S)
        self._client.disconnect()
        self._client.loop_stop()

    def _made(self) -> paho.Client:
        client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=self._broker.client_id,
            protocol=MQTTProtocolVersion.MQTTv5,
        )  # fmt: skip
        client.max_inflight_messages_set(IN_FLIGHT)
        client.connect_timeout = CONNECT_S
        client.reconnect_delay_set(1, 5)
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.on_publish = self._on_publish
        return client

    def _wait(self, done: Callable[[], bool], seconds: float) -> bool:
        until_s = self._monotonic_s() + seconds
        with self._moved:
            while not done() and self._monotonic_s() < until_s and not self._stop.is_set():
                self._moved.wait(0.1)
        return done() or self._stop.is_set()

    # callbacks, in the library's thread

    def _on_connect(self, _client: Any, _user: Any, _flags: Any, reason: Any, _props: Any) -> None:
        with self._moved:
            self._up = not reason.is_failure
            if reason.is_failure:
                self._why = refused(int(reason.value), reason.getName()).words
            self._moved.notify_all()

    def _on_disconnect(self, *_: Any) -> None:
        with self._moved:
            self._up, self._why = False, "the connection to the broker was lost"
            self._moved.notify_all()

    def _on_publish(self, *_: Any) -> None:
        with self._moved:
            self._done += 1
            self._moved.notify_all()


def _password(broker: Broker) -> str | None:
    if broker.password_file is None:
        return None
    return broker.password_file.read_text("utf-8").partition("\n")[0].rstrip("\r")
