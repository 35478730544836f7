"""The outside world of a simulated run: broker, the client's other half, receiver."""

import json
from collections import Counter
from collections.abc import Sequence
from random import Random
from typing import NamedTuple

from condmon.clock import Clock
from condmon.engine.decode import Arrived
from condmon.engine.records import Link
from condmon.engine.settings import Urgency
from condmon.errors import SendError
from condmon.mqtt.connection import MID_BITS, Counts
from condmon.mqtt.inbox import Inbox
from condmon.senders.letter import Letter
from tests.sim.disk import Disk

RECEIVE_MAX = 200
QUEUE_MAX = 120
"""Messages that the broker keeps for a client that is away; what comes then is dropped."""


class Broker:
    """A persistent QoS 1 session: what was not acknowledged is handed out again.

    `lost` are the messages that it may lose by the rules: with a session that it forgot, over its
    bound for one that is away, handed to another client that took the session over.
    """

    def __init__(self) -> None:
        self.waiting: list[tuple[int, str, bytes]] = []
        self.inflight: dict[int, tuple[int, str, bytes]] = {}  # packet -> message
        self.acknowledged: Counter[int] = Counter()
        self.lost: set[int] = set()
        self.over: set[int] = set()  # those of them that were over its bound
        self.generation = 0
        self.client: Client | None = None
        self.session = self.held = False
        self._others = False  # another client has the session
        self._packet = 0

    def publish(self, n: int, topic: str, payload: bytes) -> None:
        """With QoS 1."""
        away = self.client is None
        if not self.session or self._others:
            self.lost.add(n)
        elif away and len(self.waiting) + len(self.inflight) >= QUEUE_MAX:
            self.lost.add(n)
            self.over.add(n)
        else:
            self.waiting.append((n, topic, payload))

    def publish_at_most_once(self, topic: str, payload: bytes) -> None:
        """With QoS 0: gone where nobody listens."""
        if self.client is not None and not self.held:
            now_us = self.client.clock.now_us()
            self.client.inbox.put([Arrived(now_us, topic, payload)], [0])

    def connect(self, client: "Client") -> None:
        resumed, self.session, self._others = self.session, True, False
        self.generation += 1
        self.waiting[:0] = self.inflight.values()
        self.inflight = {}
        self.client = client
        client.came_up(resumed=resumed)

    def cut(self, reason: str) -> None:
        client, self.client = self.client, None
        if client is not None:
            client.went_down(reason)

    def forget(self) -> None:
        """A restart without memory."""
        self.cut("the broker was restarted")
        self._lose()
        self.session = False

    def taken_over(self) -> None:
        """Another client with our name has the session and acknowledges what is in it."""
        self.cut("the session was taken over")
        self._lose()
        self._others = True

    def hand_out(self) -> None:
        if self.client is None or self.held:
            return
        room = RECEIVE_MAX - len(self.inflight)
        out, self.waiting = self.waiting[:room], self.waiting[room:]
        tickets = []
        for message in out:
            self._packet = self._packet % 0xFFFF + 1  # as MQTT counts; RECEIVE_MAX are under way
            self.inflight[self._packet] = message
            tickets.append(self.generation << MID_BITS | self._packet)
        now_us = self.client.clock.now_us()
        arrived = [Arrived(now_us, topic, payload) for _, topic, payload in out]
        assert not out or self.client.inbox.put(arrived, tickets)

    def acknowledge(self, tickets: Sequence[int]) -> None:
        for ticket in tickets:
            if ticket and ticket >> MID_BITS == self.generation and self.client is not None:
                n, _, _ = self.inflight.pop(ticket & 0xFFFF)
                self.acknowledged[n] += 1

    def _lose(self) -> None:
        self.lost |= {n for n, _, _ in [*self.inflight.values(), *self.waiting]}
        self.waiting, self.inflight = [], {}


class Client:
    """Takes the place of the MQTT client in a service; the broker's other half."""

    def __init__(self, broker: Broker, inbox: Inbox, clock: Clock, disk: Disk) -> None:
        self.inbox, self.clock = inbox, clock
        self.counts = Counts()
        self.refused_filters: dict[str, str] = {}
        self.certificate_ends_us: int | None = None
        self.up, self.started, self.reason = False, False, "not connected yet"
        self._broker, self._disk = broker, disk
        self._before = False

    def came_up(self, *, resumed: bool) -> None:
        told = "" if resumed else "the broker did not know our session: what was sent is lost"
        self.up, self.reason = True, told
        self.inbox.put_action(Link(self.clock.now_us(), True, told))

    def went_down(self, reason: str) -> None:
        self.up, self.reason = False, reason
        self.inbox.put_action(Link(self.clock.now_us(), False, reason))

    def start(self) -> None:
        self.started = True

    def stop(self, wait_s: float = 0.0) -> None:
        if self._broker.client is self:
            self._broker.client = None

    def look(self) -> None:
        """Nothing hangs here."""

    def acknowledge(self, tickets: Sequence[int]) -> None:
        self._disk.point(lambda: self._broker.acknowledge(tickets), None)


class Got(NamedTuple):
    """A letter that the receiver took; `excused`: its sender may not know, so it may come again."""

    letter: Letter
    life: int  # of which process
    excused: bool


class Receiver:
    """A way to people that takes, refuses, or takes and then never says so."""

    name = "phone"
    urgencies: tuple[Urgency, ...] = ("now", "today", "note")

    def __init__(self, rng: Random, disk: Disk) -> None:
        self.mood = "takes"
        self.life = 0
        self.straight: set[str] = set()  # told from memory; a kill may take what it came from
        self.got: list[Got] = []
        self._rng, self._disk = rng, disk

    def send(self, letter: Letter) -> str | None:
        self._disk.point(lambda: self._take(letter), None)
        return None

    def _take(self, letter: Letter) -> None:
        if self.mood == "refuses":
            raise SendError("the receiver said 503", again=True, wait_s=self._rng.choice((None, 9)))
        if self.mood == "hangs":
            raise SendError("no answer in 10 s", again=True)
        silent = self.mood == "takes silently"
        self.got.append(Got(letter, self.life, silent or bool(self._disk.refusing)))
        if self._disk.refusing:
            self.straight.add(letter.key)
        if silent:
            raise SendError("taken, and then no answer", again=True)


def payload(n: int, own_us: int, value: float) -> bytes:
    return json.dumps({"v": value, "n": n, "t": own_us / 1e6}).encode()
