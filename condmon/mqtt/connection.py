"""One connection to the broker, from its first packet to its last. Uses paho-mqtt.

The client library only parses and keeps alive; the loop is ours (see mqtt.py for why).
"""

import contextlib
import select
import socket
import ssl
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from condmon.clock import Clock
from condmon.config import Broker
from condmon.engine.decode import Arrived
from condmon.mqtt.bufferedsocket import BufferedClient, BufferedSocket
from condmon.mqtt.inbox import Inbox
from condmon.mqtt.linkwords import Ending, lost, refused, thrown_out, tls_context

ANSWER_WITHIN_S = 10.0  # a broker that takes the connection and says nothing
CONNECT_WITHIN_S = 10.0
BURST = 500  # packets read before their messages go to the inbox
FILTERS_A_PACKET = 100
PACKET_BYTES_MAX = 16 * 1024 * 1024
MID_BITS = 16  # of a ticket: generation above, packet id below


@dataclass(slots=True)
class Counts:
    """What the client has seen since the start of the process."""

    messages: int = 0
    connections: int = 0
    acknowledged: int = 0
    acknowledged_too_late: int = 0  # of a connection that is gone; the broker sends them again
    exceptions: int = 0
    restarts: int = 0


class Owner(Protocol):
    """What a connection tells and asks the client it belongs to."""

    counts: Counts

    @property
    def stopping(self) -> bool:
        """Whether the client was told to leave."""

    def alive(self, generation: int) -> bool:
        """Take a sign of life; False when the connection was replaced."""

    def subscribed(self, generation: int, refusals: dict[str, str], *, resumed: bool) -> None:
        """Take it that all filters were answered: the link is up."""

    def certificate(self, ends_s: float | None) -> None:
        """Take when the broker's certificate ends; None where it shows none."""

    def fault(self, where: str, error: Exception) -> None:
        """Take a fault of our own inside a callback."""


class Connection:
    """One client object and its socket, run by the calling thread alone.

    Only `acknowledge` and `wake` are called from other threads.
    """

    def __init__(
        self,
        broker: Broker,
        filters: Sequence[str],
        inbox: Inbox,
        clock: Clock,
        owner: Owner,
        generation: int,
    ) -> None:
        self._owner = owner
        self._broker = broker
        self._filters = tuple(filters)
        self._inbox = inbox
        self._clock = clock
        self._generation = generation
        self._base = generation << MID_BITS
        self._ending: Ending | None = None
        self._messages: list[Arrived] = []
        self._tickets: list[int] = []
        self._packets = 0
        self._to_acknowledge: deque[Sequence[int]] = deque()
        self._out = b""
        self._waiting_for: dict[int, tuple[str, ...]] = {}  # SUBSCRIBE packet id -> filters
        self._refusals: dict[str, str] = {}
        self._resumed = False
        self._up = False
        self._wake_in, self._wake_out = socket.socketpair()
        self._wake_in.setblocking(False)
        self._wake_out.setblocking(False)
        self._client: paho.Client | None = None

    def open(self) -> None:
        """Connect the socket and send CONNECT. Raises OSError, ssl.SSLError or CondmonError."""
        broker = self._broker
        client = BufferedClient(
            CallbackAPIVersion.VERSION2,
            client_id=broker.client_id,
            protocol=MQTTProtocolVersion.MQTTv5,
            manual_ack=True,
        )
        client.suppress_exceptions = True
        client.connect_timeout = CONNECT_WITHIN_S
        if broker.username is not None:
            client.username_pw_set(broker.username, _secret(broker))
        if broker.tls:
            client.tls_set_context(tls_context(broker))
        client.on_message = self._on_message
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_socket_register_write = _written_by_our_loop
        self._client = client
        asked = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        asked.SessionExpiryInterval = broker.session_expiry_s
        asked.ReceiveMaximum = broker.receive_maximum
        asked.MaximumPacketSize = PACKET_BYTES_MAX
        client.connect(
            broker.host, broker.port, broker.keepalive_s, clean_start=False, properties=asked
        )

    def acknowledge(self, tickets: Sequence[int]) -> None:
        """Hand over tickets; the connection's own thread sends them."""
        self._to_acknowledge.append(tickets)
        self.wake()

    def wake(self) -> None:
        """End the wait of the connection's thread."""
        with contextlib.suppress(OSError):  # full: it will wake anyway; closed: nobody to wake
            self._wake_out.send(b"!")

    def close(self) -> None:
        """Free the socket; the broker keeps the session."""
        client, self._client = self._client, None
        if client is not None and (sock := client.socket()) is not None:
            sock.close()
        self._wake_in.close()
        self._wake_out.close()

    def live(self) -> Ending:
        """Read, write and keep alive until the connection ends."""
        assert self._client is not None
        client = self._client
        poll = select.poll()
        poll.register(self._wake_in, select.POLLIN)
        heard_s = opened_s = self._clock.monotonic_s()
        while self._owner.alive(self._generation):
            sock = client.socket()
            if sock is None or self._ending is not None:
                return self._ending or lost("the connection was closed")
            readable = self._look(client, poll, sock)
            now_s = self._clock.monotonic_s()
            if readable:
                heard_s = now_s
                self._read(client)
            self._collect_acknowledgements()
            self._write(client)
            if not self._inbox.has_room():
                heard_s = now_s  # it is we who do not listen
            if now_s - heard_s > 2 * self._broker.keepalive_s:
                return lost("the broker has fallen silent")
            if not self._up and now_s - opened_s > ANSWER_WITHIN_S:
                return lost("the broker takes the connection but does not answer")
            if self._owner.stopping:
                self._leave(client, poll)
                return lost("condmon leaves")
        return lost("replaced by a new connection")

    def _look(self, client: paho.Client, poll: select.poll, sock: Any) -> bool:
        """Wait until there is something to do; whether there is something to read."""
        reading = self._inbox.has_room()
        writing = bool(self._out) or client.want_write()
        mask = (select.POLLIN if reading else 0) | (select.POLLOUT if writing else 0)
        poll.register(sock, mask)
        pending = reading and hasattr(sock, "pending") and sock.pending() > 0  # in the buffer
        ready = poll.poll(0 if pending else 1000 if reading else 20)
        poll.unregister(sock)
        if any(fd == self._wake_in.fileno() for fd, _ in ready):
            with contextlib.suppress(BlockingIOError):
                self._wake_in.recv(4096)
        bits = select.POLLIN | select.POLLHUP | select.POLLERR
        return pending or any(fd != self._wake_in.fileno() and e & bits for fd, e in ready)

    def _read(self, client: paho.Client) -> None:
        """Read packets until there are none or a burst is full; their messages go in at once."""
        for _ in range(BURST):
            before = self._packets
            if client.loop_read() != paho.MQTT_ERR_SUCCESS or client.socket() is None:
                break
            self._take_publishes(client.socket())
            if self._packets == before or len(self._messages) >= BURST:
                break
        if self._messages:
            self._owner.counts.messages += len(self._messages)
            self._inbox.put(self._messages, self._tickets)
            self._messages, self._tickets = [], []

    def _take_publishes(self, sock: Any) -> None:
        """What came in together with the packet just read, past the library where it is plain."""
        if not isinstance(sock, BufferedSocket):
            return
        kept = self._broker.payload_bytes_max + 1
        for topic, payload, mid, retain in sock.publishes(BURST - len(self._messages), kept):
            try:
                self._take(topic, payload, mid, retain)
            except Exception as error:  # noqa: BLE001
                self._fault_of_a_message(error)

    def _take(self, topic: str, payload: bytes, mid: int, retain: bool) -> None:
        """Keep a message for the inbox, and a ticket (0: none wanted) beside it."""
        self._messages.append(Arrived(self._clock.now_us(), topic, payload, retain))
        self._tickets.append(self._base | mid if mid else 0)

    def _fault_of_a_message(self, error: Exception) -> None:
        self._owner.fault("message", error)
        del self._messages[len(self._tickets) :]

    def _collect_acknowledgements(self) -> None:
        """PUBACK packets of this connection's tickets; those of older ones are left out."""
        while self._to_acknowledge:
            tickets = [ticket for ticket in self._to_acknowledge.popleft() if ticket]
            mine = [ticket for ticket in tickets if ticket >> MID_BITS == self._generation]
            self._owner.counts.acknowledged_too_late += len(tickets) - len(mine)
            self._owner.counts.acknowledged += len(mine)
            packets = [b"\x40\x02" + (t & 0xFFFF).to_bytes(2, "big") for t in mine]
            self._out += b"".join(packets)

    def _write(self, client: paho.Client) -> None:
        """Send our acknowledgements and the client's own packets, one kind after the other."""
        if self._out and not client.want_write():
            sock: Any = client.socket()
            try:
                sent = sock.send(self._out) if sock is not None else 0
                self._out = self._out[sent:]
            except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
                pass
            except OSError as error:
                self._ending = self._ending or lost(str(error))
        if not self._out:  # never inside a packet of ours
            client.loop_write()
            client.loop_misc()

    def _leave(self, client: paho.Client, poll: select.poll) -> None:
        """The last acknowledgements, then DISCONNECT, which does not end the session."""
        for _ in range(50):
            self._collect_acknowledgements()
            self._write(client)
            sock = client.socket()
            if not self._out or self._ending is not None or sock is None:
                break
            self._look(client, poll, sock)
        client.disconnect()
        client.loop_write()

    # callbacks of the client library; nothing may escape them

    def _on_message(self, _client: paho.Client, _user: object, message: paho.MQTTMessage) -> None:
        self._packets += 1
        try:
            payload = bytes(message.payload[: self._broker.payload_bytes_max + 1])
            self._take(message.topic, payload, message.mid if message.qos else 0, message.retain)
        except Exception as error:  # noqa: BLE001
            self._fault_of_a_message(error)

    def _on_connect(
        self,
        client: paho.Client,
        _user: object,
        flags: paho.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        try:
            if reason.is_failure:
                self._ending = refused(int(reason.value), reason.getName())
                return
            self._resumed = flags.session_present
            self._owner.certificate(_ends_s(client.socket()))
            for first in range(0, len(self._filters), FILTERS_A_PACKET):
                part = self._filters[first : first + FILTERS_A_PACKET]
                _, mid = client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in part])
                if mid is not None:
                    self._waiting_for[mid] = part
        except Exception as error:  # noqa: BLE001
            self._owner.fault("connect", error)
            self._ending = lost("a fault of our own while subscribing")

    def _on_subscribe(
        self,
        _client: paho.Client,
        _user: object,
        mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        try:
            for topic, reason in zip(self._waiting_for.pop(mid, ()), reasons, strict=False):
                if reason.is_failure:
                    self._refusals[topic] = reason.getName()
            if not self._waiting_for:
                self._up = True
                self._owner.subscribed(self._generation, self._refusals, resumed=self._resumed)
        except Exception as error:  # noqa: BLE001
            self._owner.fault("subscribe", error)

    def _on_disconnect(
        self,
        _client: paho.Client,
        _user: object,
        flags: paho.DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        try:
            if self._ending is None:
                from_broker = flags.is_disconnect_packet_from_server
                self._ending = (
                    thrown_out(int(reason.value), reason.getName(), self._broker.client_id)
                    if from_broker
                    else lost("the connection was lost")
                )
        except Exception as error:  # noqa: BLE001
            self._owner.fault("disconnect", error)
            self._ending = lost("the connection was lost")


def _ends_s(sock: Any) -> float | None:
    """When the certificate at the other end of a TLS socket ends; None without one."""
    told = sock.getpeercert() if isinstance(sock, BufferedSocket | ssl.SSLSocket) else None
    ends = (told or {}).get("notAfter")
    return ssl.cert_time_to_seconds(ends) if isinstance(ends, str) else None


def _written_by_our_loop(_client: paho.Client, _user: object, _sock: object) -> None:
    """With this callback the library never writes from a thread that is not ours."""


def _secret(broker: Broker) -> str | None:
    """The password as the file has it now. Raises OSError."""
    if broker.password_file is None:
        return None
    return broker.password_file.read_text("utf-8").partition("\n")[0].rstrip("\r")
