"""The MQTT client: MQTT 5, QoS 1, one persistent session; hands messages to the inbox.

The broker's copy of a message is acknowledged only when the service says that it is durable. One
thread of our own runs the connection, so that nothing a callback does can end it: every attempt
makes a new client object (a new generation), reads certificates and passwords anew, and every
ticket names the generation it belongs to, so that a packet id of an older connection is never
acknowledged on a newer one. While the inbox is full nothing is read: TCP and the broker hold the
rest. Acknowledgements go out in order of receipt, many in one write.
"""

import ssl
import threading
from collections.abc import Sequence

from condmon import log
from condmon.clock import Clock
from condmon.config import Broker
from condmon.engine.records import Link
from condmon.errors import CondmonError
from condmon.mqtt.connection import Connection, Counts
from condmon.mqtt.inbox import Inbox
from condmon.mqtt.linkwords import Ending, Pauses, cannot_connect

STUCK_AFTER_S = 90.0  # name look-up and handshake together take less
_log = log.get("mqtt")


class Mqtt:
    """One subscription to one broker, held for as long as the process lives.

    Parameters
    ----------
    broker : Broker
        Where and how to connect.
    filters : sequence of str
        Topic filters; subscribed again on every connect.
    inbox : Inbox
        Takes messages and Link records.
    clock : Clock
        Stamps arrivals.
    """

    def __init__(self, broker: Broker, filters: Sequence[str], inbox: Inbox, clock: Clock) -> None:
        self.counts = Counts()
        self.refused_filters: dict[str, str] = {}
        self.up = False
        self.reason = "not connected yet"
        self.certificate_ends_us: int | None = None
        self._broker = broker
        self._filters = tuple(dict.fromkeys(filters))
        self._inbox = inbox
        self._clock = clock
        self._pauses = Pauses(broker.client_id)
        self._stopping = threading.Event()
        self._repeats = log.Repeats(_log, clock.monotonic_s)
        self._generation = 0
        self._connection: Connection | None = None
        self._thread: threading.Thread | None = None
        self._alive_s = clock.monotonic_s()

    def start(self) -> None:
        """Connect, and stay connected, in a thread of its own."""
        self._alive_s = self._clock.monotonic_s()
        self._generation += 1
        self._thread = threading.Thread(
            target=self._run, args=(self._generation,), name="mqtt", daemon=True
        )
        self._thread.start()

    def stop(self, wait_s: float = 1.0) -> None:
        """Send what is still to be acknowledged and leave; the session stays at the broker."""
        self._stopping.set()
        connection = self._connection
        if connection is not None:
            connection.wake()
        if self._thread is not None:
            self._thread.join(wait_s)

    @property
    def started(self) -> bool:
        """Whether `start` was ever called."""
        return self._thread is not None

    def acknowledge(self, tickets: Sequence[int]) -> None:
        """Tell the broker that these messages are durable, in order of receipt."""
        connection = self._connection
        if connection is None:
            self.counts.acknowledged_too_late += sum(1 for ticket in tickets if ticket)
            return
        connection.acknowledge(tickets)

    def look(self) -> None:
        """The watchdog: a thread that died or hangs is replaced. Called once a turn."""
        if self._thread is None or self._stopping.is_set():
            return
        silent_s = self._clock.monotonic_s() - self._alive_s
        if self._thread.is_alive() and silent_s < STUCK_AFTER_S:
            return
        self.counts.restarts += 1
        _log.error(
            "mqtt thread started again",
            silent_s=round(silent_s, 1),
            was_alive=self._thread.is_alive(),
        )
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()
        self._report(up=False, reason="condmon's own connection thread hung and was restarted")
        self.start()

    # the thread

    def _run(self, first: int) -> None:
        """Connect again and again until told to stop, or until another thread took over."""
        mine = first
        while not self._stopping.is_set() and mine == self._generation:
            began_s = self._clock.monotonic_s()
            ending = self._one_connection(mine)
            if self._stopping.is_set() or mine != self._generation:
                return
            lasted_s = self._clock.monotonic_s() - began_s
            ending, pause_s = self._pauses.judge(ending, lasted_s, was_up=self.up)
            self._report(up=False, reason=ending.words)
            self._repeats.tell(
                "warning",
                "no connection to the broker",
                ending.words,
                reason=ending.words,
                next_try_s=round(pause_s, 1),
            )
            self._wait(pause_s)
            if mine == self._generation:
                self._generation = mine = mine + 1

    def _wait(self, pause_s: float) -> None:
        """Wait without looking hung to the watchdog."""
        until_s = self._clock.monotonic_s() + pause_s
        while (left_s := until_s - self._clock.monotonic_s()) > 0:
            self._alive_s = self._clock.monotonic_s()
            if self._stopping.wait(min(left_s, 5.0)):
                return

    def _one_connection(self, generation: int) -> Ending:
        """One connection from its first packet to its end, and how it ended."""
        self._alive_s = self._clock.monotonic_s()
        connection = Connection(
            self._broker, self._filters, self._inbox, self._clock, self, generation
        )
        try:
            connection.open()
            self._connection = connection
            return connection.live()
        except Exception as error:  # noqa: BLE001 - the way to the broker must survive any fault
            if not isinstance(error, OSError | ssl.SSLError | CondmonError):
                self.fault("connection", error)
            return cannot_connect(error, self._broker)
        finally:
            if self._connection is connection:
                self._connection = None
            connection.close()

    def _report(self, *, up: bool, reason: str) -> None:
        """Put a change of the link into the stream, once a change."""
        if up == self.up and (up or reason == self.reason):
            return
        self.up, self.reason = up, reason
        self._inbox.put_action(Link(self._clock.now_us(), up, reason))

    # what a connection tells

    @property
    def stopping(self) -> bool:
        """Whether the client was told to leave."""
        return self._stopping.is_set()

    def alive(self, generation: int) -> bool:
        """A sign of life for the watchdog; False tells a connection that it was replaced."""
        if generation != self._generation:
            return False
        self._alive_s = self._clock.monotonic_s()
        return True

    def subscribed(self, generation: int, refusals: dict[str, str], *, resumed: bool) -> None:
        """All filters were answered: the link is up."""
        if generation != self._generation:
            return
        self.counts.connections += 1
        self.refused_filters = refusals
        for topic, reason in refusals.items():
            _log.error(
                "broker refused a topic filter",
                filter=topic,
                reason=reason,
                meaning="nothing of it will arrive; give this user the right to read it",
            )
        if self.reason:
            self._repeats.over("no connection to the broker", self.reason)
        _log.info(
            "connected to the broker",
            host=self._broker.host,
            port=self._broker.port,
            session="resumed" if resumed else "new",
            filters=len(self._filters),
        )
        text = (
            ""
            if resumed or self.counts.connections == 1
            else "the broker did not know our session: what was sent meanwhile is lost"
        )
        self._report(up=True, reason=text)

    def certificate(self, ends_s: float | None) -> None:
        """Keep when the broker's certificate ends."""
        self.certificate_ends_us = None if ends_s is None else round(ends_s * 1e6)

    def fault(self, where: str, error: Exception) -> None:
        """A fault of our own inside a callback: counted and told, never the end of the thread."""
        self.counts.exceptions += 1
        self._repeats.tell(
            "error", "fault in the mqtt thread", where, where=where, error=log.fault_words(error)
        )
