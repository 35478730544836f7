"""The journal: what condmon said, kept for good. SQLite; imports the engine's plain values only.

One transaction takes a turn's entries, alerts, messages and deliveries together with the place in
the recording they come from. Every row has an id made from what it is about, so that writing a
turn again after a crash changes nothing. `Reader` is the reading half, for any process.
"""

import hashlib
import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Self

import orjson

from condmon import log
from condmon.engine.outputs import Alert, Entry, Message, Output
from condmon.engine.settings import Urgency
from condmon.errors import StoreError
from condmon.store.chain import Head, HeadLog, Tail, beginning, facts_text
from condmon.store.journal_file import (
    SentLog,
    disk_words,
    open_or_set_aside,
    read_only,
    transaction,
    words,
)

_log = log.get("journal")

DeliveryState = Literal["waiting", "leased", "sent", "failed", "cancelled"]

FRESH_US = 60_000_000
"""A message older than this when it is written comes out of a backlog or a rebuild."""

SETTLE_US = 10_000_000
"""Such a message waits this long, so that the rest of the backlog can tell how it went on."""

OFFSET_EVERY_US = 5_000_000
"""The place in the recording is written at least this often while nothing else is to be written;
oftener would only wear the disk, for a restart reads on from the snapshot anyway."""

_ALERTS = "SELECT body FROM alert ORDER BY raised_us, id"
_OPEN_ALERTS = (
    "SELECT body FROM alert WHERE ended_us IS NULL OR state = 'returned_unacknowledged'"
    " ORDER BY raised_us, id"
)
_RANK = {"now": 0, "today": 1, "note": 2}


@dataclass(frozen=True, slots=True)
class Route:
    """One way to reach people, and the urgencies it takes."""

    name: str
    urgencies: tuple[Urgency, ...]

    def starts_us(self, message: Message, now_us: int) -> int | None:
        """When a message may go by this route at the earliest; None when it does not go there."""
        return now_us if message.urgency in self.urgencies else None


@dataclass(frozen=True, slots=True)
class Delivery:
    """One message on one route. `key` is the same at every try, so that a receiver can fold two.

    `due_us` is when it may next be taken up: the next try, or the end of a lease. `told` is how it
    was told when it went out, `reason` why it failed, was cancelled or has to wait.
    """

    key: str
    route: str
    state: DeliveryState
    born_us: int
    due_us: int
    tries: int
    told: str
    reason: str
    done_us: int | None
    message: Message


class Reader:
    """What the journal holds, read by any process while the daemon writes.

    Raises StoreError when there is no journal in the folder or it cannot be read.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / "journal.db"
        if not self.path.exists():
            raise StoreError(
                f"{self.path}: there is no journal; the daemon has not run with this data folder. "
                "Start it with `condmon run`, or correct [store] path."
            )
        self._db = read_only(self.path)
        self._ahead: dict[str, int] = {}

    def close(self) -> None:
        """Close the file; nothing else may be called afterwards."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def alerts(self, open_only: bool = False) -> list[Alert]:
        """Alerts in the order in which they were raised; open: not ended, or ended and unseen."""
        rows = self._rows(_OPEN_ALERTS if open_only else _ALERTS)
        return [alert_of(row[0]) for row in rows]

    def alert(self, alert_id: str) -> Alert | None:
        """One alert as it stands now."""
        rows = self._rows("SELECT body FROM alert WHERE id = ?", alert_id)
        return alert_of(rows[0][0]) if rows else None

    def entries(
        self, limit: int = 100, machine: str | None = None, kind: str | None = None
    ) -> list[Entry]:
        """Give the newest entries, newest first, of one machine and one kind if asked for."""
        rows = self._rows(
            "SELECT id, at_us, machine, kind, text, facts FROM entry"
            " WHERE (?1 IS NULL OR machine = ?1) AND (?2 IS NULL OR kind = ?2)"
            " ORDER BY seq DESC LIMIT ?3",
            machine,
            kind,
            limit,
        )
        return [Entry(*(*row[:5], orjson.loads(row[5]))) for row in rows]

    def entries_after(self, seq: int, limit: int) -> list[tuple[int, Entry]]:
        """Entries in the order in which they were written, each with its number, beyond `seq`.

        A journal that began anew counts from 1 again; then everything lies beyond.
        """
        newest = self._rows("SELECT max(seq) FROM entry")[0][0] or 0
        rows = self._rows(
            "SELECT seq, id, at_us, machine, kind, text, facts FROM entry"
            " WHERE seq > ? ORDER BY seq LIMIT ?",
            seq if seq <= newest else 0,
            limit,
        )
        return [(row[0], Entry(*(*row[1:6], orjson.loads(row[6])))) for row in rows]

    def deliveries(self, state: DeliveryState | None = None) -> list[Delivery]:
        """Deliveries in the order in which they were made, of one state if asked for."""
        rows = self._rows(
            "SELECT key, route, state, born_us, due_us, tries, told, reason, done_us, body"
            " FROM delivery JOIN message ON message.id = delivery.message"
            " WHERE ?1 IS NULL OR state = ?1 ORDER BY seq",
            state,
        )
        return [Delivery(*(*row[:9], message_of(row[9]))) for row in rows]

    def head(self) -> Head | None:
        """The end of the chain of entries; None before the first entry."""
        rows = self._rows("SELECT head_seq, head FROM chain")
        return Head(*rows[0]) if rows else None

    def undelivered_since_us(self) -> int:
        """When the oldest message was made that is not delivered yet, 0: none waits."""
        rows = self._rows("SELECT min(born_us) FROM delivery WHERE state IN ('waiting', 'leased')")
        return int(rows[0][0] or 0)

    def snapshots(self) -> Iterator[tuple[bytes, int]]:
        """Engine snapshots with their offsets, newest first; unreadable ones are passed over."""
        for (seq,) in self._rows("SELECT seq FROM snapshot ORDER BY seq DESC"):
            try:
                rows = self._rows("SELECT body, at_offset, digest FROM snapshot WHERE seq = ?", seq)
            except StoreError:
                rows = []
            if rows and hashlib.sha256(rows[0][0]).digest() == rows[0][2]:
                yield rows[0][0], rows[0][1]
            else:
                _log.warning(
                    "snapshot_unreadable",
                    snapshot=seq,
                    do="nothing: an older one or the recordings serve",
                )

    def last_snapshot(self) -> tuple[bytes, int] | None:
        """Give the newest readable engine snapshot and the offset it stands at."""
        return next(self.snapshots(), None)

    def offset(self) -> int:
        """All outputs of the recording up to this offset are in the journal; 0: none yet."""
        return self._mark("offset")

    def written_us(self) -> int:
        """When the daemon last wrote, to within OFFSET_EVERY_US; 0: never."""
        return self._mark("written_us")

    def snapshot_us(self) -> int:
        """When the newest snapshot was made known by a turn; 0: never."""
        return self._mark("snapshot_us")

    def _mark(self, name: str) -> int:
        if name in self._ahead:
            return self._ahead[name]
        rows = self._rows("SELECT value FROM mark WHERE name = ?", name)
        return int(rows[0][0]) if rows else 0

    def _rows(self, sql: str, *values: object) -> list[tuple[Any, ...]]:
        try:
            return self._db.execute(sql, values).fetchall()
        except sqlite3.Error as error:
            raise StoreError(words(self.path, error)) from error


class Journal(Reader):
    """The journal of a data folder, for the daemon that owns the folder.

    A damaged file is set aside under a clear name (`set_aside`) and an empty journal begins; the
    service then fills it again from the recordings. Raises StoreError when the disk refuses.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / "journal.db"
        self._turn = threading.Lock()
        self._db, fresh, self.set_aside = open_or_set_aside(self.path)
        self._begins = _why_it_begins(folder, self.set_aside)
        self._heads = HeadLog(folder)
        # keys only matter to a journal that begins anew beside an older log
        self._already_sent = SentLog(folder).kept() if fresh else set()
        self._ahead = {}  # marks that are not on the disk yet
        self._ahead = {"offset": self.offset(), "written_us": self.written_us()}
        self._flushed_us = 0

    def write(
        self, outputs: Sequence[Output], offset: int, routes: Sequence[Route], now_us: int
    ) -> None:
        """Write a turn's outputs and the offset they reach, all or nothing."""
        marks = {"offset": max(self.offset(), int(offset)), "written_us": int(now_us)}
        lasting = [o for o in outputs if isinstance(o, Entry | Alert | Message)]
        if not lasting and 0 <= now_us - self._flushed_us < OFFSET_EVERY_US:
            self._ahead = marks
            return
        with self._transaction():
            tail: Tail | None = None
            for output in lasting:
                if isinstance(output, Entry):
                    tail = tail or Tail(self._db, int(now_us), self._begins)
                    tail.add(output, facts_text(output.facts))
                elif isinstance(output, Alert):
                    self._put_alert(output)
                else:
                    self._add_message(output, routes, int(now_us))
            if tail:
                tail.keep()
            self._put_marks(marks)
        self._ahead = marks
        if tail and self._heads.due(int(now_us)):
            self._note_head(tail.head, int(now_us))
        self._flushed_us = int(now_us)

    def was_told(self, key: str) -> None:
        """A delivery that went out before it could be written; it is not made again."""
        self._already_sent.add(key)

    def keep_snapshot(self, blob: bytes, offset: int) -> None:
        """Keep an engine snapshot that stands at `offset`, and the one before it."""
        with self._transaction():
            self._db.execute(
                "INSERT INTO snapshot(at_offset, digest, body) VALUES (?, ?, ?)",
                (int(offset), hashlib.sha256(blob).digest(), blob),
            )
            self._db.execute(
                "DELETE FROM snapshot WHERE seq NOT IN"
                " (SELECT seq FROM snapshot ORDER BY seq DESC LIMIT 2)"
            )
            self._put_marks(self._ahead | {"snapshot_us": self.written_us()})

    def _note_head(self, head: Head, now_us: int) -> None:
        """Once a day, beside the journal; the log does not wait for it."""
        try:
            began_us, reason, older = self._rows("SELECT began_us, reason, older FROM chain")[0]
            self._heads.note(beginning(began_us, reason, older), head, now_us)
        except OSError as error:
            _log.warning("the head of the log was not noted", reason=disk_words(self.path, error))

    def _put_alert(self, alert: Alert) -> None:
        ended = None if alert.ended_us is None else int(alert.ended_us)
        self._db.execute(
            "INSERT INTO alert(id, revision, state, raised_us, ended_us, body)"
            " VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT(id) DO UPDATE"
            " SET revision = excluded.revision, state = excluded.state,"
            " raised_us = excluded.raised_us, ended_us = excluded.ended_us, body = excluded.body"
            " WHERE excluded.revision > alert.revision",
            (alert.id, int(alert.revision), alert.state, int(alert.raised_us), ended, _json(alert)),
        )

    def _add_message(self, message: Message, routes: Sequence[Route], now_us: int) -> None:
        new = self._db.execute(
            "INSERT OR IGNORE INTO message(id, at_us, kind, urgency, body) VALUES (?, ?, ?, ?, ?)",
            (message.id, int(message.at_us), message.kind, message.urgency, _json(message)),
        )
        if not new.rowcount:  # a route added later is not told of what was written before it
            return
        thread = message.alerts[0] if message.alerts and message.kind != "digest" else message.id
        due_us = now_us if now_us - message.at_us < FRESH_US else now_us + SETTLE_US
        for route in routes:
            if (starts_us := route.starts_us(message, now_us)) is not None:
                key = f"{message.id}:{route.name}"
                done = key in self._already_sent
                self._db.execute(
                    "INSERT OR IGNORE INTO delivery(key, message, route, thread, rank, state,"
                    " born_us, due_us, reason, done_us) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        key,
                        message.id,
                        route.name,
                        thread,
                        _RANK[message.urgency],
                        "sent" if done else "waiting",
                        starts_us,
                        max(due_us, starts_us),
                        "sent before this could be written" if done else "",
                        now_us if done else None,
                    ),
                )

    def _put_marks(self, marks: Mapping[str, int]) -> None:
        self._db.executemany(
            "INSERT OR REPLACE INTO mark(name, value) VALUES (?, ?)", list(marks.items())
        )

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        with self._turn:
            try:
                with transaction(self._db):
                    yield
            except sqlite3.Error as error:
                raise StoreError(words(self.path, error)) from error


def message_of(body: str) -> Message:
    """Make a message from its stored text."""
    found = orjson.loads(body)
    return Message(**{**found, "alerts": tuple(found["alerts"])})


def alert_of(body: str) -> Alert:
    """Make an alert from its stored text."""
    found = orjson.loads(body)
    for name in ("signals", "look_first"):
        found[name] = tuple(found[name])
    return Alert(**found)


def _why_it_begins(folder: Path, set_aside: Path | None) -> str:
    """The reason a chain gives for its beginning, should it begin now."""
    if set_aside:
        return f"the journal was damaged and is now {set_aside.name}; this one was made again"
    if any(folder.glob("stream-*.db")):
        return "there were recordings here and no journal; this one was made from them"
    return "nothing had been recorded here before"


def _json(value: object) -> str:
    # default=dict: facts may be any mapping
    return orjson.dumps(value, default=dict, option=orjson.OPT_SERIALIZE_NUMPY).decode()
