"""How a message is told as things stand at the moment of sending, or why it no longer is.

What was true when a message was written may not be true when it goes out: an alert that has ended
is told once, as ended, and nothing is told that a person has seen to.
"""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass

from condmon.engine.outputs import Alert, Message
from condmon.senders.letter import Telling
from condmon.store.journal import alert_of, message_of

STALE_US = 3 * 86400 * 1_000_000
TEST = "test"
"""The thread of all test messages."""

SETUP = "set-up"
"""Stands for how it was told in a delivery that failed for what a person has to put right."""

NOT_HERE = "its beginning was not told this way"
"""Why the end of an alert does not go by a way that stood aside; of no interest to anyone."""

FOLDED_MAX = 200


@dataclass(frozen=True, slots=True)
class Due:
    """A delivery that is up, with its message."""

    key: str
    thread: str
    tries: int
    born_us: int
    message: Message


@dataclass(frozen=True, slots=True)
class Part:
    """A delivery that is to go out, how it is told, and its alerts as they stand now."""

    due: Due
    telling: Telling
    alerts: tuple[Alert, ...]


class Look:
    """Looks at the journal on behalf of one route. Raises sqlite3.Error."""

    def __init__(self, db: sqlite3.Connection, route: str) -> None:
        self._db, self._route = db, route

    def part(self, due: Due, now_us: int) -> Part | str:
        """How a delivery is told now; or why it is not told any more."""
        alerts = self._alerts(due.message)
        telling, reason = self._telling(due, alerts, now_us)
        return Part(due, telling, tuple(alerts)) if telling else reason

    def others(self, than: Due, now_us: int) -> list[Due]:
        """Other alerts' deliveries that could go out now or wait for another try."""
        rows = self._db.execute(
            "SELECT key, thread, tries, born_us, body FROM front"
            " JOIN message ON message.id = front.message WHERE route = ? AND key <> ?"
            " AND state = 'waiting' AND born_us <= ? AND kind <> 'digest'"
            " ORDER BY rank, seq LIMIT ?",
            (self._route, than.key, now_us, FOLDED_MAX),
        )
        return [Due(*(*row[:4], message_of(row[4]))) for row in rows.fetchall()]

    def _alerts(self, message: Message) -> list[Alert]:
        found = [
            self._db.execute("SELECT body FROM alert WHERE id = ?", (alert,)).fetchone()
            for alert in message.alerts
        ]
        return [alert_of(row[0]) for row in found if row]

    def _telling(
        self, due: Due, alerts: Sequence[Alert], now_us: int
    ) -> tuple[Telling | None, str]:
        message = due.message
        if due.thread == TEST and self._newer_test(due):
            return None, "a newer test message waits behind it"
        if message.kind == "digest" or not alerts:
            return message.kind, ""
        alert = alerts[0]
        over = alert.ended_us is not None
        if over and now_us - message.at_us > STALE_US:
            return None, "it is over, and older than 3 days; the machine's log tells of it"
        if message.kind == "raised":
            if not over and alert.state in {"shelved", "out_of_service"}:
                return None, "someone had shelved it or taken the check out of service"
            if self._told_later(due):
                return None, "a later message told of it"
            return ("story" if over else "raised"), ""
        if message.kind == "reminder":
            if over or alert.state != "active_unacknowledged":
                return None, "it had ended, or someone had seen to it"
            return self._again(due)
        return self._end(due, over=over)

    def _again(self, due: Due) -> tuple[Telling | None, str]:
        """A reminder has nothing new where the alert was told after the reminder was due."""
        told_us = [done_us for state, _, done_us in self._before(due) if state == "sent"]
        if any(at_us > due.message.at_us for at_us in told_us):
            return None, "it was told later than this reminder was due"
        return ("reminder" if told_us else "handed_over"), ""

    def _end(self, due: Due, *, over: bool) -> tuple[Telling | None, str]:
        if not over:
            return None, "it had come back"
        before = self._before(due)
        sent = [told for state, told, _ in before if state == "sent"]
        if "story" in sent:
            return None, "its end was told already"
        if sent:
            return "ended", ""
        if any(state == "failed" for state, _, _ in before):
            return "story", ""
        return None, NOT_HERE

    def _before(self, due: Due) -> list[tuple[str, str, int]]:
        """State, telling and time of what went before on this route about the same alert."""
        rows = self._db.execute(
            "SELECT state, told, done_us FROM delivery JOIN message ON message.id = message"
            " WHERE thread = ? AND route = ? AND key <> ? AND kind IN ('raised', 'reminder')",
            (due.thread, self._route, due.key),
        )
        return [(state, told, done_us or 0) for state, told, done_us in rows.fetchall()]

    def _told_later(self, due: Due) -> bool:
        """Whether a message behind this one went out while this one could not."""
        row = self._db.execute(
            "SELECT 1 FROM delivery WHERE thread = ?1 AND route = ?2 AND state = 'sent'"
            " AND seq > (SELECT seq FROM delivery WHERE key = ?3)",
            (due.thread, self._route, due.key),
        ).fetchone()
        return row is not None

    def _newer_test(self, due: Due) -> bool:
        row = self._db.execute(
            "SELECT 1 FROM delivery WHERE thread = ? AND route = ? AND key <> ? AND born_us > ?",
            (TEST, self._route, due.key, due.born_us),
        ).fetchone()
        return row is not None
