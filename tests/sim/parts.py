"""The outside world of a simulated run: broker, disk, receiver. Each does harm on request."""

import json
import sqlite3
from collections import Counter
from collections.abc import Sequence
from random import Random
from typing import Any

import pytest

from condmon.engine.decode import Arrived
from condmon.engine.records import Link
from condmon.engine.settings import Urgency
from condmon.errors import SendError
from condmon.mqtt.connection import Counts
from condmon.mqtt.inbox import Inbox
from condmon.senders.letter import Letter
from tests.fakes import FakeClock

RECEIVE_MAX = 200
FULL = "database or disk is full"
FAULTS = ("disk I/O error", FULL, "attempt to write a readonly database")


class Killed(BaseException):
    """The process is gone, between two steps; nothing of ours may catch it."""


class Broker:
    """A persistent QoS 1 session: what was not acknowledged is handed out again."""

    def __init__(self) -> None:
        self.waiting: list[tuple[int, str, bytes]] = []
        self.inflight: dict[int, tuple[int, str, bytes]] = {}  # packet -> message
        self.acknowledged: Counter[int] = Counter()
        self.lost: set[int] = set()  # with a session that the broker forgot
        self.generation = 0
        self.client: Client | None = None
        self._packet = 0

    def publish(self, n: int, topic: str, payload: bytes) -> None:
        self.waiting.append((n, topic, payload))

    def connect(self, client: "Client", *, forget: bool) -> None:
        if forget:
            self.lost |= {n for n, _, _ in [*self.inflight.values(), *self.waiting]}
            self.waiting, self.inflight = [], {}
        self.generation += 1
        self.waiting[:0] = self.inflight.values()
        self.inflight = {}
        self.client = client
        client.came_up(resumed=not forget)

    def cut(self, reason: str) -> None:
        client, self.client = self.client, None
        if client is not None:
            client.went_down(reason)

    def hand_out(self, now_us: int) -> None:
        if self.client is None:
            return
        room = RECEIVE_MAX - len(self.inflight)
        out, self.waiting = self.waiting[:room], self.waiting[room:]
        tickets = []
        for message in out:
            self._packet += 1
            self.inflight[self._packet] = message
            tickets.append(self.generation << 32 | self._packet)
        arrived = [Arrived(now_us, topic, payload) for _, topic, payload in out]
        assert not out or self.client.inbox.put(arrived, tickets)

    def acknowledge(self, tickets: Sequence[int]) -> None:
        for ticket in tickets:
            if ticket >> 32 == self.generation and self.client is not None:
                n, _, _ = self.inflight.pop(ticket & 0xFFFFFFFF)
                self.acknowledged[n] += 1


class Client:
    """Takes the place of the MQTT client in a service; the broker's other half."""

    def __init__(self, broker: Broker, inbox: Inbox, clock: FakeClock) -> None:
        self.inbox = inbox
        self.counts = Counts()
        self.refused_filters: dict[str, str] = {}
        self.certificate_ends_us: int | None = None
        self.up, self.started, self.reason = False, False, "not connected yet"
        self._broker = broker
        self._clock = clock

    def came_up(self, *, resumed: bool) -> None:
        told = "" if resumed else "the broker did not know our session: what was sent is lost"
        self.up, self.reason = True, told
        self.inbox.put_action(Link(self._clock.now_us(), True, told))

    def went_down(self, reason: str) -> None:
        self.up, self.reason = False, reason
        self.inbox.put_action(Link(self._clock.now_us(), False, reason))

    def start(self) -> None:
        self.started = True

    def stop(self, wait_s: float = 0.0) -> None:
        if self._broker.client is self:
            self._broker.client = None

    def look(self) -> None:
        """Nothing hangs here."""

    def acknowledge(self, tickets: Sequence[int]) -> None:
        self._broker.acknowledge(tickets)


class Disk:
    """What stands under every SQLite file: it refuses for a while, or the process dies at a call.

    `die_at` counts calls down; half the deaths come after the call has done its work, which is
    the moment at which a commit is on the disk and nobody knows.
    """

    def __init__(self, rng: Random, monkeypatch: pytest.MonkeyPatch) -> None:
        self.calls = 0
        self.refusing = ""
        self.die_at = 0
        self.fail_at = 0
        self._rng = rng
        real = sqlite3.connect
        disk = self

        class Connection(sqlite3.Connection):
            """Tells the disk of every statement."""

            def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
                late = disk.before(sql)
                done = super().execute(sql, *values)
                disk.after(late)
                return done

            def executemany(self, sql: str, *values: Any) -> sqlite3.Cursor:
                late = disk.before(sql)
                done = super().executemany(sql, *values)
                disk.after(late)
                return done

        monkeypatch.setattr(
            sqlite3, "connect", lambda *a, **k: real(*a, **({"factory": Connection} | k))
        )

    def before(self, sql: str) -> bool:
        """Count a statement; True when the process dies after it."""
        writes = sql.lstrip()[:6].upper() in {"INSERT", "UPDATE", "DELETE", "COMMIT", "CREATE"}
        self.calls += 1
        if self.die_at and self.calls >= self.die_at:
            self.die_at = 0
            if self._rng.random() < 0.5:
                return True
            raise Killed
        if self.fail_at and self.calls >= self.fail_at:
            self.fail_at = 0
            raise sqlite3.OperationalError(self._rng.choice(FAULTS))
        if self.refusing and writes:
            raise sqlite3.OperationalError(self.refusing)
        return False

    def after(self, late: bool) -> None:
        if late:
            raise Killed


class Receiver:
    """A way to people that takes, refuses, or takes and then never says so."""

    name = "phone"
    urgencies: tuple[Urgency, ...] = ("now", "today", "note")

    def __init__(self, rng: Random, clock: FakeClock, disk: Disk) -> None:
        self.mood = "takes"
        self.straight: set[str] = set()  # told from memory; a kill may take what it came from
        self._disk = disk
        self.got: list[tuple[int, Letter]] = []
        self._rng = rng
        self._clock = clock

    def send(self, letter: Letter) -> str | None:
        if self.mood == "refuses":
            raise SendError("the receiver said 503", again=True, wait_s=self._rng.choice((None, 9)))
        if self.mood == "hangs":
            raise SendError("no answer in 10 s", again=True)
        self.got.append((self._clock.now_us(), letter))
        if self._disk.refusing:
            self.straight.add(letter.key)
        if self.mood == "takes silently":
            raise SendError("taken, and then no answer", again=True)
        return None


def payload(n: int, own_us: int, value: float) -> bytes:
    return json.dumps({"v": value, "n": n, "t": own_us / 1e6}).encode()
