"""A lane: the deliveries of one route, one at a time, each looked at again before it goes out.

A delivery is leased, looked at, sent outside any transaction and marked. Killed in between, the
same key goes out again, so that a receiver can fold the two.
"""

import sqlite3
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random

from condmon import log
from condmon.clock import Clock
from condmon.engine.outputs import Alert, Message
from condmon.engine.settings import Settings
from condmon.errors import SendError, StoreError
from condmon.journal import alert_of, message_of
from condmon.journal_file import SentLog, connect, transaction, words
from condmon.senders.letter import Letter, Sender, Telling
from condmon.senders.words import compose

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


@dataclass(frozen=True, slots=True)
class _Leased:
    key: str
    thread: str
    tries: int
    born_us: int
    message: Message


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
    ) -> None:
        self.name = sender.name
        self._path = path
        self._sender = sender
        self._clock = clock
        self._settings = settings
        self._sent = sent
        self._chance = chance
        self._open: sqlite3.Connection | None = None
        self._trouble = ""
        self._faults: set[str] = set()

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

    def _lease(self) -> _Leased | None:
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
        return _Leased(*(*row[:4], message_of(row[4])))

    def _deliver(self, leased: _Leased) -> None:
        message, now_us = leased.message, self._clock.now_us()
        alerts = self._alerts(message)
        telling, reason = self._look_again(leased, alerts, now_us)
        if telling is None:
            self._finish(leased, "cancelled", reason=reason)
            return
        site, calendar = self._settings.site, self._settings.calendar
        try:
            title, text = compose(telling, message, alerts, site, calendar, now_us)
            letter = Letter(leased.key, site, telling, message, tuple(alerts), title, text, now_us)
            note = self._sender.send(letter) or ""
        except SendError as error:
            self._not_taken(leased, error)
        except Exception as error:  # noqa: BLE001 - a fault in a sender must not end the lane
            self._not_taken(leased, _fault_of_ours(error))
        else:
            self._taken(leased, telling, note)

    def _alerts(self, message: Message) -> list[Alert]:
        found = [
            self._db.execute("SELECT body FROM alert WHERE id = ?", (alert,)).fetchone()
            for alert in message.alerts
        ]
        return [alert_of(row[0]) for row in found if row]

    def _look_again(
        self, leased: _Leased, alerts: Sequence[Alert], now_us: int
    ) -> tuple[Telling | None, str]:
        """How the message is told as things stand now; None with the reason if it no longer is."""
        message = leased.message
        if message.kind == "digest" or not alerts:
            return message.kind, ""
        alert = alerts[0]
        over = alert.ended_us is not None
        if over and now_us - message.at_us > GIVE_UP_S * 1e6:
            return None, "it is over, and older than 3 days; the machine's log tells of it"
        if message.kind == "raised":
            if not over and alert.state in {"shelved", "out_of_service"}:
                return None, "someone had shelved it or taken the check out of service"
            return ("story" if over else "raised"), ""
        if message.kind == "reminder":
            if over or alert.state != "active_unacknowledged":
                return None, "it had ended, or someone had seen to it"
            return "reminder", ""
        return self._look_again_at_end(leased, over)

    def _look_again_at_end(self, leased: _Leased, over: bool) -> tuple[Telling | None, str]:
        first = self._db.execute(
            "SELECT state, told FROM delivery JOIN message ON message.id = delivery.message"
            " WHERE thread = ? AND route = ? AND kind = 'raised' ORDER BY seq LIMIT 1",
            (leased.thread, self.name),
        ).fetchone()
        if not over:
            return None, "it had come back"
        if first is None or (first[0] == "sent" and first[1] != "story"):
            return "ended", ""
        if first[0] == "failed":
            return "story", ""
        return None, "its end was told already, or its beginning was not"

    def _taken(self, leased: _Leased, telling: Telling, note: str) -> None:
        try:
            self._sent.add(leased.key)
        except StoreError as error:  # only matters should the journal be lost too
            tell_store(error)
        self._finish(leased, "sent", telling, note, tries=leased.tries + 1)
        if self._trouble:
            _log.info("route_works_again", route=self.name, tries=leased.tries + 1)
        self._trouble = ""
        self._faults.clear()

    def _not_taken(self, leased: _Leased, error: SendError) -> None:
        reason, tries = str(error), leased.tries + 1
        now_us = self._clock.now_us()
        old = now_us - leased.born_us > GIVE_UP_S * 1e6 and tries >= GIVE_UP_TRIES
        if error.again and not old:
            self._db.execute(
                "UPDATE delivery SET state = 'waiting', due_us = ?, tries = ?, reason = ?"
                " WHERE key = ?",
                (
                    now_us + round(self._pause_s(leased.tries, error) * 1e6),
                    tries,
                    reason,
                    leased.key,
                ),
            )
            self._tell_trouble(reason)
            return
        reason = f"given up after 3 days; last: {reason}" if error.again else reason
        self._finish(leased, "failed", reason=reason, tries=tries)
        self._tell_fault(reason)

    def _finish(
        self,
        leased: _Leased,
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
                leased.tries if tries is None else tries,
                self._clock.now_us(),
                leased.key,
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
    # no text of the error and no traceback: either could hold a secret
    frame = error.__traceback__
    while frame and frame.tb_next:
        frame = frame.tb_next
    where = f"{Path(frame.tb_frame.f_code.co_filename).name}:{frame.tb_lineno}" if frame else "?"
    return SendError(f"a fault in condmon itself: {type(error).__name__} at {where}", again=True)


def tell_store(error: StoreError) -> None:
    """Say in the log that the journal cannot be used now."""
    _log.error("outbox_store_trouble", reason=str(error), meaning="messages wait until it is over")
