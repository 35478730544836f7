"""The inbox: the bounded queue between the threads that hear things and the turn.

Messages and records keep the order in which they came. The MQTT thread asks `has_room` before it
reads on, so that the broker holds what does not fit here (TCP back-pressure); if a message comes
all the same it is held for a moment and then lost, counted and told by a Gap.
"""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from condmon.engine.decode import Arrived
from condmon.engine.records import Gap, Record

MESSAGES_MAX = 10_000
BYTES_MAX = 32 * 1024 * 1024
HOLD_S = 2.0  # how long a full inbox holds up the thread that puts


@dataclass(slots=True)
class Taken:
    """What one turn takes: messages and records in order, and a ticket of every message."""

    entries: list[Arrived | Record] = field(default_factory=list)
    tickets: list[int] = field(default_factory=list)
    messages: int = 0


class Inbox:
    """Bounded, many threads put, one takes.

    Parameters
    ----------
    now_us : callable
        Time for the Gap that tells a loss.
    messages_max, bytes_max : int
        Bounds; reaching either makes the inbox full. Records do not count, they are few.
    hold_s : float
        Seconds that `put` waits for room before it drops.
    """

    def __init__(
        self,
        now_us: Callable[[], int],
        messages_max: int = MESSAGES_MAX,
        bytes_max: int = BYTES_MAX,
        hold_s: float = HOLD_S,
    ) -> None:
        self._now_us = now_us
        self._messages_max = messages_max
        self._bytes_max = bytes_max
        self._hold_s = hold_s
        self._change = threading.Condition()
        self._entries: list[Arrived | Record] = []
        self._tickets: list[int] = []
        self._messages = 0
        self._bytes = 0
        self._wanted = 1  # messages that end the wait of `take`
        self._lost: list[int] = []  # [count, first_us, last_us] of the present loss
        self._closed = False
        self.lost_total = 0

    def has_room(self) -> bool:
        """Whether reading on is wanted. Read without the lock: an estimate is enough."""
        if self._closed:
            return False
        return self._messages < self._messages_max and self._bytes < self._bytes_max

    def close(self) -> None:
        """Take no more messages: condmon stops, the broker keeps them. Records still come in."""
        self._closed = True

    def put(self, messages: Sequence[Arrived], tickets: Sequence[int] = ()) -> bool:
        """Add messages in order of receipt; False when there was no room and they are lost.

        `tickets` are what the MQTT client wants back to acknowledge them, one a message
        (0: nothing to acknowledge); none at all when nobody wants any back.
        """
        with self._change:
            if not self.has_room() and not self._closed:
                self._change.wait_for(self.has_room, self._hold_s)
            if not self.has_room():
                if self._closed:
                    return False  # not lost: never acknowledged
                self._lose(len(messages))
                return False
            self._tell_loss()
            self._entries.extend(messages)
            self._tickets.extend(tickets or [0] * len(messages))
            self._messages += len(messages)
            self._bytes += sum([len(message.payload) for message in messages])
            if self._messages >= self._wanted:
                self._change.notify_all()
            return True

    def put_action(self, record: Record) -> None:
        """Add a record: a person's action, the link's state. Never dropped, never waits."""
        with self._change:
            self._entries.append(record)
            self._change.notify_all()

    def take(self, messages_max: int, wait_s: float) -> Taken:
        """Everything up to `messages_max` messages; waits until so many are there or time is up.

        A record put meanwhile ends the wait early: a person is waiting for it.
        """
        with self._change:
            self._wanted = messages_max
            self._change.wait_for(lambda: self._ready(messages_max), wait_s)
            self._wanted = 1
            self._tell_loss()
            taken = self._cut(messages_max)
            self._change.notify_all()
            return taken

    def _ready(self, messages_max: int) -> bool:
        return self._messages >= messages_max or len(self._entries) > self._messages

    def _cut(self, messages_max: int) -> Taken:
        if self._messages <= messages_max:
            taken = Taken(self._entries, self._tickets, self._messages)
            self._entries, self._tickets, self._messages, self._bytes = [], [], 0, 0
            return taken
        stop = messages = 0
        for entry in self._entries:
            if isinstance(entry, Arrived):
                if messages == messages_max:
                    break
                messages += 1
                self._bytes -= len(entry.payload)
            stop += 1
        taken = Taken(self._entries[:stop], self._tickets[:messages], messages)
        del self._entries[:stop], self._tickets[:messages]
        self._messages -= messages
        return taken

    def _lose(self, count: int) -> None:
        now_us = self._now_us()
        self.lost_total += count
        if self._lost:
            self._lost[0] += count
            self._lost[2] = now_us
        else:
            self._lost = [count, now_us, now_us]

    def _tell_loss(self) -> None:
        """Put the loss into the stream at the place where it happened."""
        if self._lost:
            count, from_us, to_us = self._lost
            self._lost = []
            reason = "the inbox was full: more came in than could be written"
            self._entries.append(Gap(self._now_us(), from_us, to_us, reason, lost=count))
