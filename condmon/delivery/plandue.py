"""What falls due by the plan itself: the daily test message, and the next way where ways fail."""

import sqlite3
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import orjson

from condmon.clock import Clock
from condmon.delivery.plan import Routing
from condmon.delivery.tellnow import SETUP, STALE_US, TEST
from condmon.engine.ids import short_id
from condmon.engine.outputs import Message
from condmon.engine.settings import CONDMON
from condmon.errors import StoreError
from condmon.store.journal_file import connect, transaction, words

LATE_US = 3_600_000_000
"""A test message that fell due while condmon was away is sent within this time, or not at all."""

SETUP_EVERY_US = 900_000_000
LOOK_EVERY_US = 1_000_000
NOTE_RANK = 2
TEST_TITLE = "Test: this way to people works"
TEST_TEXT = (
    "Nothing is wrong: this is a test message. When one that is due does not come, this way does "
    "not work, or condmon does not run; `condmon status` tells which."
)


def test_message(at_us: int) -> Message:
    """The test message of an instant."""
    return Message(
        short_id("test", at_us), at_us, "digest", 0, "note", (), CONDMON, TEST_TITLE, TEST_TEXT
    )


def put_test(db: sqlite3.Connection, routes: Sequence[str], at_us: int, now_us: int) -> None:
    """Write a test message by every route, once an instant. Raises sqlite3.Error."""
    message = test_message(at_us)
    with transaction(db):
        db.execute(
            "INSERT OR IGNORE INTO message(id, at_us, kind, urgency, body) VALUES (?, ?, ?, ?, ?)",
            (message.id, at_us, message.kind, message.urgency, _json(message)),
        )
        for route in routes:
            _put(db, message.id, route, TEST, NOTE_RANK, now_us)


class PlanDue:
    """Looks now and then what the plan makes due.

    Parameters
    ----------
    path : Path
        The journal's file.
    routes : sequence of str
        Names of the ways there are.
    clock : Clock
        Time.
    routing : Routing
        The plan.
    """

    def __init__(self, path: Path, routes: Sequence[str], clock: Clock, routing: Routing) -> None:
        self._path, self._routes, self._clock, self._routing = path, routes, clock, routing
        self._open: sqlite3.Connection | None = None
        self._tested_us = 0
        self._looked_us = 0

    def step(self) -> None:
        """Write what is due. Raises StoreError."""
        now_us = self._clock.now_us()
        if 0 <= now_us - self._looked_us < LOOK_EVERY_US:
            return
        self._looked_us = now_us
        try:
            self._open = self._open or connect(self._path)
            self._test(self._open, now_us)
            self._next_ways(self._open, now_us)
            self._set_up_again(self._open, now_us)
        except sqlite3.Error as error:
            self.close()
            raise StoreError(words(self._path, error)) from error

    def close(self) -> None:
        """Close the connection; the next step opens another."""
        if self._open:
            self._open.close()
            self._open = None

    def _test(self, db: sqlite3.Connection, now_us: int) -> None:
        reaching = self._routing.reaching
        if reaching.test_minute is None:
            return
        due_us = self._routing.calendar.next_local(
            now_us - LATE_US, reaching.test_minute, reaching.test_days
        )
        if due_us <= now_us and due_us != self._tested_us:
            put_test(db, self._routes, due_us, now_us)
            self._tested_us = due_us

    def _next_ways(self, db: sqlite3.Connection, now_us: int) -> None:
        if not any(reach.next_ways for reach in self._routing.reaching.reaches.values()):
            return
        rows = db.execute(
            "SELECT DISTINCT message, urgency FROM delivery JOIN message ON message.id = message"
            " WHERE state IN ('waiting', 'leased', 'failed') AND born_us BETWEEN ? AND ?"
            " AND kind <> 'ended' AND thread <> ?",
            (now_us - STALE_US, now_us, TEST),
        ).fetchall()
        for message, urgency in rows:
            reach = self._routing.reach(urgency)
            if reach.next_ways:
                self._next_way(db, message, reach.next_ways, reach.next_after_s, now_us)

    def _set_up_again(self, db: sqlite3.Connection, now_us: int) -> None:
        """Try what failed for its set-up once more, it may have been put right."""
        rows = db.execute(
            "SELECT key FROM delivery WHERE state = 'failed' AND told = ?"
            " AND done_us NOT BETWEEN ? AND ? AND born_us > ?",
            (SETUP, now_us - SETUP_EVERY_US, now_us, now_us - STALE_US),
        ).fetchall()
        db.executemany(
            "UPDATE delivery SET state = 'waiting', told = '', done_us = NULL, due_us = ?"
            " WHERE key = ?",
            [(now_us, key) for (key,) in rows],
        )

    def _next_way(
        self, db: sqlite3.Connection, message: str, ways: Sequence[str], after_s: float, now_us: int
    ) -> None:
        """Give a message to the next way, if every way that has it does not get it through."""
        rows = db.execute(
            "SELECT route, thread, rank, state, born_us, (SELECT max(tries) FROM delivery e"
            " WHERE e.thread = d.thread AND e.route = d.route AND e.seq <= d.seq"
            " AND e.state IN ('waiting', 'leased')) FROM delivery d"
            " WHERE key >= ? || ':' AND key < ? || ';'",  # ';' follows ':'
            (message, message),
        ).fetchall()
        tried = {route for route, *_ in rows}
        left = [way for way in ways if way in self._routes and way not in tried]
        stuck = all(
            state == "failed"
            or (state in {"waiting", "leased"} and tries and now_us - born_us >= after_s * 1e6)
            for _, _, _, state, born_us, tries in rows
        )
        if left and stuck:
            with transaction(db):
                _put(db, message, left[0], rows[0][1], rows[0][2], now_us)


def _put(
    db: sqlite3.Connection, message: str, route: str, thread: str, rank: int, now_us: int
) -> None:
    db.execute(
        "INSERT OR IGNORE INTO delivery(key, message, route, thread, rank, state, born_us, due_us)"
        " VALUES (?, ?, ?, ?, ?, 'waiting', ?, ?)",
        (f"{message}:{route}", message, route, thread, rank, now_us, now_us),
    )


def _json(message: Message) -> str:
    return orjson.dumps(asdict(message)).decode()
