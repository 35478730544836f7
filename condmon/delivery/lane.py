"""A lane: the deliveries of one route, one at a time, each looked at again before it goes out.

A delivery is leased, looked at, sent outside any transaction and marked. Killed in between, the
same key goes out again, so that a receiver can fold the two.
"""

import sqlite3
import threading
from collections.abc import Sequence
from pathlib import Path
from random import Random

from condmon import log
from condmon.clock import Clock
from condmon.delivery.plan import Routing
from condmon.delivery.tellnow import SETUP, Due, Look, Part
from condmon.delivery.writing import letter_of
from condmon.engine.outputs import Message
from condmon.engine.settings import Settings
from condmon.errors import SendError, StoreError
from condmon.senders.letter import Sender
from condmon.senders.words import LATE_US
from condmon.store.journal import message_of
from condmon.store.journal_file import SentLog, connect, transaction, words

_log = log.get("lane")

WAIT_MIN_S = 2.0
WAIT_MAX_S = 300.0
WAIT_ASKED_MAX_S = 3600.0
"""A receiver may ask for a longer pause than ours, but cannot silence us with it."""

LEASE_S = 180.0
"""Longer than any sender's time limit: a lease ends by itself only after a crash."""

GIVE_UP_S = 3 * 86400.0
GIVE_UP_TRIES = 50
"""Both must be reached, so that a jump of the clock alone gives nothing up."""

POLL_S = 0.25
TROUBLE_S = 5.0


class Lane:
    """The deliveries of one route, one at a time."""

    def __init__(
        self,
        path: Path,
        sender: Sender,
        clock: Clock,
        settings: Settings,
        sent: SentLog,
        chance: Random,
        routing: Routing | None = None,
    ) -> None:
        self.name = sender.name
        self._path = path
        self._sender = sender
        self._clock = clock
        self._settings = settings
        self._sent = sent
        self._chance = chance
        self._routing = routing
        self._open: sqlite3.Connection | None = None
        self._trouble = ""
        self._faults: set[str] = set()
        self._went_out: dict[str, tuple[str, str]] = {}  # not marked yet: how told, with what note

    def run(self, stop: threading.Event) -> None:
        """Deliver until told to stop, whatever happens."""
        while not stop.is_set():
            try:
                if not self.step():
                    stop.wait(POLL_S)
            except StoreError as error:
                tell_store(error)
                stop.wait(TROUBLE_S)
            except Exception as error:  # noqa: BLE001 - the other deliveries must still go out
                self._tell_trouble(str(_fault_of_ours(error)))
                stop.wait(TROUBLE_S)
        self.close()

    def close(self) -> None:
        """Close the connection; the next step opens another."""
        if self._open:
            self._open.close()
            self._open = None

    def step(self) -> bool:
        """Do one due delivery, if there is one."""
        try:
            leased = self._lease()
            if leased is None:
                return False
            self._deliver(leased)
        except sqlite3.Error as error:
            self.close()
            raise StoreError(words(self._path, error)) from error
        return True

    def wait_s(self) -> float | None:
        """Seconds until the next delivery is due, None when nothing waits."""
        due_us: int | None
        try:
            due_us = self._db.execute(
                "SELECT min(due_us) FROM front WHERE route = ?", (self.name,)
            ).fetchone()[0]
        except sqlite3.Error as error:
            raise StoreError(words(self._path, error)) from error
        if due_us is None:
            return None
        return max(0.0, (due_us - self._clock.now_us()) / 1e6)

    @property
    def _db(self) -> sqlite3.Connection:
        if self._open is None:
            self._open = connect(self._path)
        return self._open

    def _lease(self) -> Due | None:
        if self.wait_s() != 0.0:  # most looks find nothing, and then nothing is written
            return None
        now_us = self._clock.now_us()
        with transaction(self._db):
            row = self._db.execute(
                "SELECT key, thread, tries, born_us, body FROM front"
                " JOIN message ON message.id = front.message WHERE route = ? AND due_us <= ?"
                " ORDER BY rank, due_us, seq LIMIT 1",
                (self.name, now_us),
            ).fetchone()
            if row is None:
                return None
            self._db.execute(
                "UPDATE delivery SET state = 'leased', due_us = ? WHERE key = ?",
                (now_us + round(LEASE_S * 1e6), row[0]),
            )
        return Due(*(*row[:4], message_of(row[4])))

    def _deliver(self, leased: Due) -> None:
        now_us = self._clock.now_us()
        parts = self._parts(leased, now_us)
        if not parts:
            return
        try:
            letter = letter_of(parts, self.name, self._settings, now_us, self._held_us)
            note = self._sender.send(letter) or ""
        except SendError as error:
            self._not_taken(parts, error)
        except Exception as error:  # noqa: BLE001 - a fault in a sender must not end the lane
            self._not_taken(parts, _fault_of_ours(error))
        else:
            self._taken(parts, note)

    def _parts(self, leased: Due, now_us: int) -> list[Part]:
        """What goes out in one letter: a delivery, and if it is late all that are late like it."""
        look = Look(self._db, self.name)
        found: list[Part] = []
        late = self._is_late(leased.message, now_us)
        for due in [leased, *(look.others(leased, now_us) if late else [])]:
            if due.key in self._went_out:
                self._mark_sent(due)
                continue
            part = look.part(due, now_us)
            if isinstance(part, str):
                self._finish(due, "cancelled", reason=part)
            elif due is leased or (part.alerts and self._is_late(due.message, now_us)):
                found.append(part)
        return found if any(part.due is leased for part in found) else []

    def _is_late(self, message: Message, now_us: int) -> bool:
        """Whether it waited for the way or for the end of the quiet hours; digests never are."""
        held = self._held_us(message) > message.at_us
        return message.kind != "digest" and (held or now_us - message.at_us >= LATE_US)

    def _held_us(self, message: Message) -> int:
        """From when it may go out by the plan."""
        return self._routing.held_until_us(message) if self._routing else message.at_us

    def _taken(self, parts: Sequence[Part], note: str) -> None:
        self._went_out |= {part.due.key: (part.telling, note) for part in parts}
        for part in parts:
            try:
                self._sent.add(part.due.key)
            except StoreError as error:  # only matters should the journal be lost too
                tell_store(error)
            self._mark_sent(part.due)
        if self._trouble:
            _log.info("route_works_again", route=self.name, tries=parts[0].due.tries + 1)
        self._trouble = ""
        self._faults.clear()

    def _mark_sent(self, due: Due) -> None:
        """Mark what went out; where the disk refuses, the next look at it does."""
        telling, note = self._went_out[due.key]
        self._finish(due, "sent", telling, note, tries=due.tries + 1)
        del self._went_out[due.key]

    def _not_taken(self, parts: Sequence[Part], error: SendError) -> None:
        """Wait and try again; what was refused for good, or for too long, is failed."""
        now_us, reason = self._clock.now_us(), str(error)
        pause_us = round(self._pause_s(parts[0].due.tries, error) * 1e6)
        for part in parts if error.again else parts[:1]:
            due, tries = part.due, part.due.tries + 1
            old = now_us - due.born_us > GIVE_UP_S * 1e6 and tries >= GIVE_UP_TRIES
            if error.again and not old:
                self._db.execute(
                    "UPDATE delivery SET state = 'waiting', due_us = ?, tries = ?, reason = ?"
                    " WHERE key = ?",
                    (now_us + pause_us, tries, reason, due.key),
                )
                self._tell_trouble(reason)
                continue
            why = f"given up after 3 days; last: {reason}" if error.again else reason
            self._finish(due, "failed", SETUP if error.setup else "", why, tries)
            self._tell_fault(why)

    def _finish(
        self,
        due: Due,
        state: str,
        told: str = "",
        reason: str = "",
        tries: int | None = None,
    ) -> None:
        self._db.execute(
            "UPDATE delivery SET state = ?, told = ?, reason = ?, tries = ?, done_us = ?"
            " WHERE key = ?",
            (
                state,
                told,
                reason,
                due.tries if tries is None else tries,
                self._clock.now_us(),
                due.key,
            ),
        )

    def _pause_s(self, tries: int, error: SendError) -> float:
        full_s = min(WAIT_MAX_S, WAIT_MIN_S * 2.0 ** min(tries, 16))
        own_s = min(WAIT_MAX_S, max(WAIT_MIN_S, full_s * self._chance.uniform(0.75, 1.25)))
        return max(own_s, min(error.wait_s or 0.0, WAIT_ASKED_MAX_S))

    def _tell_trouble(self, reason: str) -> None:
        if reason != self._trouble:  # the same trouble again is in the count of tries
            self._trouble = reason
            _log.warning(
                "route_in_trouble",
                route=self.name,
                reason=reason,
                meaning="messages of this route wait and are tried again for up to 3 days",
                do="see `condmon status`",
            )

    def _tell_fault(self, reason: str) -> None:
        if reason not in self._faults:
            self._faults.add(reason)
            _log.error(
                "delivery_failed",
                route=self.name,
                reason=reason,
                meaning="people are not told by this route; trying again would not help",
                do="put the route right in the configuration; `condmon status` lists what failed",
            )


def _fault_of_ours(error: Exception) -> SendError:
    return SendError(log.fault_words(error), again=True)


def tell_store(error: StoreError) -> None:
    """Say in the log that the journal cannot be used now."""
    _log.error("outbox_store_trouble", reason=str(error), meaning="messages wait until it is over")
