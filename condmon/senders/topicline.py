"""One connection to the broker for publishing retained messages below a topic. Uses paho-mqtt.

Run by the calling thread alone: the library's own thread would end with a fault in a callback.
"""

from typing import Any

import orjson
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from condmon.clock import Clock
from condmon.config import Broker
from condmon.mqtt.linkwords import Ending, lost, refused, thrown_out, tls_context
from condmon.senders.events import CONTENT_TYPE

ANSWER_WITHIN_S = 10.0
FILTER_OPTIONS = SubscribeOptions(qos=1, noLocal=True)


class TopicLine:
    """What the broker keeps below a topic, and how to change it.

    `kept` holds what it keeps, as topic -> (id, source) of the event; `ending` says why the
    connection is over.
    """

    def __init__(self, broker: Broker, topic: str, clock: Clock) -> None:
        self._broker, self._topic, self._clock = broker, topic, clock
        self._client_id = f"{broker.client_id}-alerts"
        self.kept: dict[str, tuple[str, str]] = {}
        self.ending: Ending | None = None
        self._published_s: dict[str, float] = {}
        self._sent: dict[int, tuple[str, tuple[str, str] | None]] = {}  # packet id -> what it makes
        self._subscribed = False
        self._heard_s = self._asked_s = clock.monotonic_s()
        self._client: paho.Client | None = None

    def open(self, password: str | None) -> None:
        """Connect and ask for what is kept. Raises OSError, ValueError or CondmonError."""
        broker = self._broker
        client = paho.Client(
            CallbackAPIVersion.VERSION2, self._client_id, protocol=MQTTProtocolVersion.MQTTv5
        )
        client.suppress_exceptions = True
        client.connect_timeout = ANSWER_WITHIN_S
        if broker.username is not None:
            client.username_pw_set(broker.username, password)
        if broker.tls:
            client.tls_set_context(tls_context(broker))
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_disconnect = self._on_disconnect
        self._client = client
        client.connect(broker.host, broker.port, broker.keepalive_s, clean_start=True)

    def pump(self, wait_s: float) -> None:
        """Read, write and keep alive for a moment."""
        assert self._client is not None
        result = self._client.loop(wait_s)
        now_s = self._clock.monotonic_s()
        waits = not self._subscribed or bool(self._sent)
        if result != paho.MQTT_ERR_SUCCESS:
            self.ending = self.ending or lost("the connection was lost")
        elif waits and now_s - self._asked_s > ANSWER_WITHIN_S:
            self.ending = self.ending or lost("the broker does not answer")

    def settled(self, quiet_s: float) -> bool:
        """Whether what the broker keeps is known."""
        return self._subscribed and self._clock.monotonic_s() - self._heard_s >= quiet_s

    @property
    def under_way(self) -> bool:
        """Whether something that was published is not acknowledged yet."""
        return bool(self._sent)

    def age_s(self, topic: str) -> float:
        """How long ago a topic was published here; 0 for what was found."""
        now_s = self._clock.monotonic_s()
        return now_s - self._published_s.setdefault(topic, now_s)

    def publish(
        self, topic: str, body: bytes, event_id: str, expiry_s: int, *, retain: bool = True
    ) -> None:
        """Put an event on a topic; it counts as kept once the broker has acknowledged it."""
        asked = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        asked.ContentType = CONTENT_TYPE
        asked.MessageExpiryInterval = expiry_s
        made = (event_id, _source(body)) if retain else self.kept.get(topic)
        self._send(topic, body, made, asked, retain=retain)

    def clear(self, topic: str) -> None:
        """Take what is kept off a topic."""
        self._send(topic, b"", None, None, retain=True)

    def close(self) -> None:
        """Leave."""
        client, self._client = self._client, None
        if client is not None:
            client.disconnect()
            if (sock := client.socket()) is not None:
                sock.close()

    def _send(
        self,
        topic: str,
        body: bytes,
        made: tuple[str, str] | None,
        asked: Properties | None,
        *,
        retain: bool,
    ) -> None:
        assert self._client is not None
        self._asked_s = self._clock.monotonic_s()
        told = self._client.publish(topic, body, qos=1, retain=retain, properties=asked)
        if told.rc == paho.MQTT_ERR_SUCCESS:
            self._sent[told.mid] = (topic, made)
            self._published_s[topic] = self._asked_s
        else:
            self.ending = self.ending or lost("the connection was lost")

    # callbacks of the client library; nothing may escape them

    def _on_connect(
        self, client: paho.Client, _user: object, _flags: object, reason: ReasonCode, _more: object
    ) -> None:
        if reason.is_failure:
            self.ending = refused(int(reason.value), reason.getName())
        else:
            client.subscribe([(f"{self._topic}/#", FILTER_OPTIONS)])

    def _on_subscribe(
        self, _client: paho.Client, _user: object, _mid: int, reasons: list[ReasonCode], _more: Any
    ) -> None:
        if any(reason.is_failure for reason in reasons):
            self.ending = Ending("set-up", f"the broker does not let us read {self._topic}/#; "
                                           "allow condmon to read and write there")  # fmt: skip
        self._heard_s = self._clock.monotonic_s()
        self._subscribed = True

    def _on_message(self, _client: paho.Client, _user: object, message: paho.MQTTMessage) -> None:
        self._heard_s = self._clock.monotonic_s()
        if message.payload:
            body = bytes(message.payload)
            self.kept[message.topic] = (_text(body, "id"), _source(body))
        else:
            self.kept.pop(message.topic, None)

    def _on_publish(
        self, _client: paho.Client, _user: object, mid: int, reason: ReasonCode, _more: object
    ) -> None:
        topic, made = self._sent.pop(mid, ("", None))
        if reason.is_failure:
            words = f"the broker refused a message below {self._topic} ({reason.getName()}); "
            self.ending = Ending("set-up", words + "allow condmon to write there")
        elif made is not None:
            self.kept[topic] = made
        else:
            self.kept.pop(topic, None)
            self._published_s.pop(topic, None)

    def _on_disconnect(
        self, _client: paho.Client, _user: object, flags: Any, reason: ReasonCode, _more: object
    ) -> None:
        if self.ending is None and flags.is_disconnect_packet_from_server:
            self.ending = thrown_out(int(reason.value), reason.getName(), self._client_id)
        self.ending = self.ending or lost("the connection was lost")


def _source(body: bytes) -> str:
    return _text(body, "source")


def _text(body: bytes, key: str) -> str:
    """A text of an event; empty when it is none of ours."""
    try:
        found = orjson.loads(body)
    except orjson.JSONDecodeError:
        return ""
    value = found.get(key, "") if isinstance(found, dict) else ""
    return value if isinstance(value, str) else ""
