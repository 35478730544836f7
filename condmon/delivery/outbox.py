"""The outbox: brings each message to people, at least once, never stale, never silently lost.

Works on the deliveries that the journal wrote, one lane a route, so that a receiver that hangs
delays nobody else.
"""

import secrets
import sqlite3
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from random import Random

import orjson

from condmon import log
from condmon.clock import Clock
from condmon.delivery.lane import TROUBLE_S, WAIT_ASKED_MAX_S, WAIT_MAX_S, Lane, tell_store
from condmon.delivery.plan import Routing
from condmon.delivery.plandue import PlanDue
from condmon.engine.settings import Settings
from condmon.errors import StoreError
from condmon.life import Life
from condmon.senders.letter import Sender
from condmon.store.journal import SETTLE_US, message_of
from condmon.store.journal_file import SentLog, connect, transaction, words

_log = log.get("outbox")

STOP_S = 1.0
PLAN_EVERY_S = 1.0


class Outbox:
    """Delivers what waits in the journal.

    Parameters
    ----------
    journal_path : Path
        The journal's file; `sent.log` is kept beside it.
    senders : sequence of Sender
        One a route. The daemon's lock on the folder makes this the only outbox at work.
    clock : Clock
        Dates, pauses and leases are counted in its time.
    settings : Settings
        The site's name and calendar, for the words.
    chance : Random, optional
        Spreads the tries.
    routing : Routing, optional
        The plan; without it every message goes at once by every route.
    also : sequence of callable
        What else brings alerts out, each in a thread of its own until told to stop.
    life : Life, optional
        Sees whether the threads live.
    """

    def __init__(
        self,
        journal_path: Path,
        senders: Sequence[Sender],
        clock: Clock,
        settings: Settings,
        chance: Random | None = None,
        routing: Routing | None = None,
        also: Sequence[Callable[[threading.Event], None]] = (),
        life: Life | None = None,
    ) -> None:
        self._path = journal_path
        self._clock = clock
        self._begun = False
        self.threads: list[threading.Thread] = []
        self._repeats = log.Repeats(_log, clock.monotonic_s)
        self._routing, self._also, self._life = routing, also, life or Life()
        self._sent, chance = SentLog(journal_path.parent), chance or secrets.SystemRandom()
        self._lanes = [
            Lane(journal_path, s, clock, settings, self._sent, chance, routing) for s in senders
        ]
        names = [sender.name for sender in senders]
        self._due = PlanDue(journal_path, names, clock, routing) if routing else None

    def step(self) -> float | None:
        """Do one due delivery; give seconds until the next is due, None when nothing waits.

        Raises StoreError when the journal cannot be read or written.
        """
        self._begin()
        self._plan_due()
        for turn, lane in enumerate(self._lanes):
            if lane.step():
                self._lanes = self._lanes[turn + 1 :] + self._lanes[: turn + 1]
                break
        waits = [wait for lane in self._lanes if (wait := lane.wait_s()) is not None]
        return min(waits, default=None)

    def run(self, stop: threading.Event) -> None:
        """Deliver until told to stop; a send under way at that moment is not waited for."""
        everyones, stop = stop, self._life.pulse("delivery", "the plan", stop)
        while not stop.is_set():
            try:
                self._begin()
            except StoreError as error:
                tell_store(error)
                stop.wait(TROUBLE_S)
            else:
                break
        works: list[tuple[str, Callable[[threading.Event], None]]] = [
            *((lane.name, lane.run) for lane in self._lanes),
            *(("the alert topic", follow) for follow in self._also),
        ]
        self.threads = [
            threading.Thread(
                target=work,
                args=(self._life.pulse("delivery", name, everyones),),
                name=f"outbox {name}",
                daemon=True,
            )
            for name, work in works
        ]
        for thread in self.threads:
            thread.start()
        while not stop.wait(PLAN_EVERY_S):
            self._tend_plan()
        for thread in self.threads:
            thread.join(STOP_S)

    def close(self) -> None:
        """Close the connections to the journal."""
        for lane in self._lanes:
            lane.close()
        if self._due:
            self._due.close()

    def _shorten(self, db: sqlite3.Connection, now_us: int) -> None:
        """Wait no longer than the plan and the longest pause: the wall clock may be put back.

        What was never tried waits for the plan alone; what was written or tried at a time that has
        not come yet, so that no receiver can have asked for such a pause, no longer than our own.
        """
        rows = db.execute(
            "SELECT key, body, due_us, tries, born_us FROM delivery"
            " JOIN message ON message.id = message WHERE state = 'waiting' AND due_us > ?",
            (now_us,),
        )
        for key, body, due_us, tries, born_us in rows.fetchall():
            message = message_of(body)
            message = replace(message, at_us=min(message.at_us, now_us))
            held_us = self._routing.held_until_us(message) if self._routing else now_us
            foreign = born_us > now_us or due_us - now_us > WAIT_ASKED_MAX_S * 1e6
            pause_us = round((WAIT_MAX_S if foreign else WAIT_ASKED_MAX_S) * 1e6)
            until_us = max(now_us + (pause_us if tries else SETTLE_US), held_us)
            db.execute("UPDATE delivery SET due_us = ? WHERE key = ?", (min(due_us, until_us), key))

    def _tend_plan(self) -> None:
        """Look what the plan makes due, and outlive whatever comes of it."""
        try:
            self._plan_due()
        except StoreError as error:
            self._repeats.tell("error", "outbox_store_trouble", reason=str(error),
                               meaning="messages wait until it is over")  # fmt: skip
        except Exception as error:  # noqa: BLE001 - test messages and next ways must go on
            meaning = "test messages and next ways may be late; please report it"
            self._repeats.tell("error", "fault in the plan", error=error, meaning=meaning)

    def _plan_due(self) -> None:
        if self._due:
            self._due.step()

    def _free(self, db: sqlite3.Connection, now_us: int) -> None:
        """Take back the leases of a run that ended; what it noted as sent is not sent again."""
        leased = db.execute("SELECT key FROM delivery WHERE state = 'leased'").fetchall()
        sent = self._sent.kept() if leased else set()
        for (key,) in leased:
            state, done_us = ("sent", now_us) if key in sent else ("waiting", None)
            db.execute(
                "UPDATE delivery SET state = ?, due_us = ?, done_us = ? WHERE key = ?",
                (state, now_us, done_us, key),
            )

    def _begin(self) -> None:
        """Free what an earlier run left leased; fail what no route of this configuration takes."""
        if self._begun:
            return
        now_us = self._clock.now_us()
        routes = orjson.dumps([lane.name for lane in self._lanes]).decode()
        try:
            db = connect(self._path)
            try:
                with transaction(db):
                    self._free(db, now_us)
                    self._shorten(db, now_us)
                    orphans = db.execute(
                        "UPDATE delivery SET state = 'failed', done_us = ?,"
                        " reason = 'the configuration no longer has this route'"
                        " WHERE state = 'waiting'"
                        " AND route NOT IN (SELECT value FROM json_each(?))",
                        (now_us, routes),
                    ).rowcount
            finally:
                db.close()
        except sqlite3.Error as error:
            raise StoreError(words(self._path, error)) from error
        self._begun = True
        if orphans:
            _log.error(
                "deliveries_without_route",
                count=orphans,
                meaning="the configuration no longer has the routes they were to take",
                do="see them with `condmon status`; people were not told by these routes",
            )
