"""Telling people while the journal cannot be written: a full disk must not silence condmon.

As a rule a message goes out of the journal, so that a crash neither loses nor doubles it. While the
disk takes nothing, what is urgent goes straight from memory; the journal is told of it and does not
send it again once it can be written. A kill in that time may tell twice, with the same key.
"""

import queue
import threading
from collections.abc import Callable, Sequence

from condmon import log
from condmon.clock import Clock
from condmon.delivery.tellnow import Due, Part
from condmon.delivery.writing import letter_of
from condmon.engine.outputs import Alert, Message, Output
from condmon.engine.settings import Settings
from condmon.errors import SendError
from condmon.senders.letter import Sender
from condmon.store.journal import Route

AFTER_S = 15.0  # a journal that stutters for a moment needs no second way
TRIES = 5
PAUSE_S = 10.0
MESSAGES_MAX = 200  # in one time of trouble; what is more waits for the journal
_log = log.get("directly")


class Directly:
    """The second way out.

    Parameters
    ----------
    senders : sequence of Sender
        The ways to people.
    routes : sequence of Route
        Say which way takes what, and when.
    settings : Settings
        The site's name and calendar, for the words.
    clock : Clock
        What time it is.
    told : callable
        Takes the key of what was told.
    stop : threading.Event
        Ends the tries.
    """

    def __init__(
        self,
        senders: Sequence[Sender],
        routes: Sequence[Route],
        settings: Settings,
        clock: Clock,
        told: Callable[[str], None],
        stop: threading.Event,
    ) -> None:
        self._ways = [_Way(s, settings, clock, told, stop) for s in senders]
        self._routes = {route.name: route for route in routes}
        self._clock = clock
        self._since_s: float | None = None
        self._seen: set[str] = set()

    def look(self, unwritten: Sequence[Output]) -> None:
        """The journal refused these: after a while, tell what is urgent among them."""
        now_s = self._clock.monotonic_s()
        if self._since_s is None:
            self._since_s = now_s
        if now_s - self._since_s < AFTER_S:
            return
        alerts = {output.id: output for output in unwritten if isinstance(output, Alert)}
        for message in unwritten:
            if isinstance(message, Message) and message.id not in self._seen:
                self._tell(message, tuple(alerts[i] for i in message.alerts if i in alerts))

    def over(self) -> None:
        """The journal is written again and tells by itself."""
        self._since_s = None
        self._seen.clear()

    def _tell(self, message: Message, alerts: tuple[Alert, ...]) -> None:
        if message.urgency == "note" or len(self._seen) >= MESSAGES_MAX:
            return
        self._seen.add(message.id)
        now_us = self._clock.now_us()
        for way in self._ways:
            starts_us = self._routes[way.name].starts_us(message, now_us)
            if starts_us is not None and starts_us <= now_us:
                way.put(message, alerts)


class _Way:
    """One sender with a thread that lives while there is something to send."""

    def __init__(
        self,
        sender: Sender,
        settings: Settings,
        clock: Clock,
        told: Callable[[str], None],
        stop: threading.Event,
    ) -> None:
        self.name = sender.name
        self._sender, self._settings, self._clock = sender, settings, clock
        self._told, self._stop = told, stop
        self._queue: queue.SimpleQueue[Part] = queue.SimpleQueue()
        self._thread: threading.Thread | None = None
        self._ending = threading.Lock()  # or what is put as the thread ends would lie there

    def put(self, message: Message, alerts: tuple[Alert, ...]) -> None:
        """Send in the background."""
        due = Due(f"{message.id}:{self.name}", message.id, 0, message.at_us, message)
        with self._ending:
            self._queue.put(Part(due, message.kind, alerts))
            self._begin()

    def _begin(self) -> None:
        if self._thread is None or not self._thread.is_alive():
            self._thread = threading.Thread(
                target=self.run, name=f"directly {self.name}", daemon=True
            )
            self._thread.start()

    def run(self) -> None:
        """Send what waits, in the thread of its own; ends when nothing came for a while."""
        while not self._stop.is_set():
            try:
                part = self._queue.get(timeout=PAUSE_S)
            except queue.Empty:
                with self._ending:
                    if self._queue.empty():
                        self._thread = None
                        return
                continue
            self._send(part)

    def _send(self, part: Part) -> None:
        for _ in range(TRIES):
            letter = letter_of(
                [part], self.name, self._settings, self._clock.now_us(), lambda m: m.at_us
            )
            try:
                self._sender.send(letter)
            except SendError as error:
                reason = str(error)
            except Exception as error:  # noqa: BLE001 - a fault in a sender ends nothing
                reason = log.fault_words(error)
            else:
                self._told(part.due.key)
                _log.warning(
                    "told without the journal",
                    route=self.name,
                    title=part.due.message.title,
                    meaning="the disk takes nothing; this went out from memory",
                )
                return
            _log.error("not told without the journal", route=self.name, reason=reason)
            if self._stop.wait(PAUSE_S):
                return
