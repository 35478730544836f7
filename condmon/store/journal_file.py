"""The journal's file: its tables, how it is opened, what is done when it is damaged."""

import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import orjson

from condmon import log
from condmon.errors import NewerError, StoreError
from condmon.store.durable import set_aside

_log = log.get("journal_file")

SENT_LOG_BYTES_MAX = 8_000_000

_MIGRATIONS = (
    """
    CREATE TABLE entry(seq INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, at_us INTEGER NOT NULL,
        machine TEXT NOT NULL, kind TEXT NOT NULL, text TEXT NOT NULL, facts TEXT NOT NULL) STRICT;
    CREATE INDEX entry_kind ON entry(kind, seq);
    CREATE INDEX entry_machine ON entry(machine, seq);
    CREATE TRIGGER entry_stays BEFORE UPDATE ON entry
        BEGIN SELECT RAISE(ABORT, 'entries are only ever added'); END;
    CREATE TRIGGER entry_is_kept BEFORE DELETE ON entry
        BEGIN SELECT RAISE(ABORT, 'entries are only ever added'); END;
    CREATE TABLE alert(id TEXT PRIMARY KEY, revision INTEGER NOT NULL, state TEXT NOT NULL,
        raised_us INTEGER NOT NULL, ended_us INTEGER, body TEXT NOT NULL) STRICT;
    CREATE INDEX alert_open ON alert(raised_us)
        WHERE ended_us IS NULL OR state = 'returned_unacknowledged';
    CREATE TABLE message(id TEXT PRIMARY KEY, at_us INTEGER NOT NULL, kind TEXT NOT NULL,
        urgency TEXT NOT NULL, body TEXT NOT NULL) STRICT;
    CREATE TABLE delivery(seq INTEGER PRIMARY KEY, key TEXT NOT NULL UNIQUE,
        message TEXT NOT NULL REFERENCES message(id), route TEXT NOT NULL, thread TEXT NOT NULL,
        rank INTEGER NOT NULL, state TEXT NOT NULL, born_us INTEGER NOT NULL,
        due_us INTEGER NOT NULL, tries INTEGER NOT NULL DEFAULT 0, told TEXT NOT NULL DEFAULT '',
        reason TEXT NOT NULL DEFAULT '', done_us INTEGER) STRICT;
    CREATE INDEX delivery_open ON delivery(route, thread, seq)
        WHERE state IN ('waiting', 'leased');
    CREATE INDEX delivery_state ON delivery(state, seq);
    CREATE INDEX delivery_thread ON delivery(thread, route);
    CREATE VIEW front AS SELECT * FROM delivery d WHERE state IN ('waiting', 'leased')
        AND NOT EXISTS (SELECT 1 FROM delivery e WHERE e.route = d.route AND e.thread = d.thread
            AND e.seq < d.seq AND e.state IN ('waiting', 'leased'));
    CREATE TABLE mark(name TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT;
    CREATE TABLE snapshot(seq INTEGER PRIMARY KEY, at_offset INTEGER NOT NULL,
        digest BLOB NOT NULL, body BLOB NOT NULL) STRICT;
    """,
    """
    ALTER TABLE entry ADD COLUMN hash BLOB;
    CREATE TABLE chain(number INTEGER PRIMARY KEY CHECK (number = 1), began_us INTEGER NOT NULL,
        reason TEXT NOT NULL, older INTEGER NOT NULL, head_seq INTEGER NOT NULL,
        head BLOB NOT NULL) STRICT;
    DROP TRIGGER entry_stays;
    CREATE TRIGGER entry_stays BEFORE UPDATE ON entry
        WHEN old.hash IS NOT NULL OR new.seq <> old.seq OR new.id <> old.id
            OR new.at_us <> old.at_us OR new.machine <> old.machine OR new.kind <> old.kind
            OR new.text <> old.text OR new.facts <> old.facts
        BEGIN SELECT RAISE(ABORT, 'entries are only ever added'); END;
    CREATE INDEX entry_at ON entry(at_us);
    CREATE VIRTUAL TABLE entry_words USING fts5(words, content = '', prefix = '2 3 4',
        tokenize = "unicode61 remove_diacritics 2");
    CREATE VIEW entry_said AS SELECT seq, text || ' ' || machine
        || ' ' || coalesce(json_extract(facts, '$.by'), '')
        || ' ' || coalesce(json_extract(facts, '$.check'), '') AS words FROM entry;
    INSERT INTO entry_words(rowid, words) SELECT seq, words FROM entry_said;
    CREATE TRIGGER entry_is_found AFTER INSERT ON entry BEGIN
        INSERT INTO entry_words(rowid, words) SELECT seq, words FROM entry_said
            WHERE seq = new.seq; END;
    """,
)
"""One text a version; `PRAGMA user_version` counts those that were applied."""

LOOKS = 3
"""So often in a row a journal must look damaged: a disk that refuses for a moment looks like it."""

_DAMAGE = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


class SentLog:
    """Keys of finished deliveries, one JSON text a line, apart from the journal.

    Should the journal be lost and rebuilt from the recordings, nobody is told twice.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / "sent.log"
        self._turn = threading.Lock()

    def add(self, key: str) -> None:
        """Keep one key; it is on the disk when this returns."""
        try:
            with self._turn:
                self._add(key)
        except OSError as error:
            raise StoreError(disk_words(self.path, error)) from error

    def kept(self) -> set[str]:
        """All keys that can be read; damaged lines are passed over."""
        try:
            lines = self.path.read_bytes().split(b"\n")
        except FileNotFoundError:
            return set()
        except OSError as error:
            raise StoreError(disk_words(self.path, error)) from error
        found: set[str] = set()
        for line in lines:
            try:
                key = orjson.loads(line)
            except orjson.JSONDecodeError:  # cut short by a crash, or an empty line
                continue
            if isinstance(key, str):
                found.add(key)
        return found

    def _add(self, key: str) -> None:
        if self.path.exists() and self.path.stat().st_size > SENT_LOG_BYTES_MAX:
            self._drop_older_half()
        with self.path.open("ab") as file:
            # the line end in front heals a line that a crash cut short
            file.write(b"\n" + orjson.dumps(key) + b"\n")
            file.flush()
            os.fsync(file.fileno())

    def _drop_older_half(self) -> None:
        lines = self.path.read_bytes().split(b"\n")
        shorter = self.path.with_suffix(".new")
        with shorter.open("wb") as file:
            file.write(b"\n".join(lines[len(lines) // 2 :]))
            file.flush()
            os.fsync(file.fileno())
        shorter.replace(self.path)


@contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """All or nothing, with the right to write taken at the start."""
    if db.in_transaction:  # its rollback failed then; left open it would lock out everyone else
        db.execute("ROLLBACK")
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


def connect(path: Path) -> sqlite3.Connection:
    """Open for writing, usable from any thread; a commit is on the disk when it returns."""
    db = sqlite3.connect(path, timeout=10, isolation_level=None, check_same_thread=False)
    try:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        db.execute("PRAGMA foreign_keys = ON")
        db.execute("PRAGMA journal_size_limit = 67108864")
    except sqlite3.Error:
        db.close()
        raise
    return db


def read_only(path: Path) -> sqlite3.Connection:
    """Open for reading, beside a running daemon or without one."""
    where = path.resolve().as_uri()
    ways = [f"{where}?mode=ro"]
    if not path.with_name(path.name + "-wal").exists():
        ways.append(f"{where}?immutable=1")  # closed cleanly, in a folder we may not write to
    failure: sqlite3.Error | None = None
    for way in ways:
        db: sqlite3.Connection | None = None
        try:
            db = sqlite3.connect(way, uri=True, timeout=10, isolation_level=None)
            db.execute("SELECT count(*) FROM mark")
        except sqlite3.Error as error:
            if db:
                db.close()
            failure = error
        else:
            return db
    assert failure is not None
    raise StoreError(words(path, failure)) from failure


def open_or_set_aside(path: Path) -> tuple[sqlite3.Connection, bool, Path | None]:
    """Give the journal ready for writing, whether it is new, where a damaged one was put."""
    reason = ""
    for _ in range(LOOKS):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            return *_open(path), None
        except OSError as error:
            raise StoreError(disk_words(path.parent, error)) from error
        except sqlite3.Error as error:
            if getattr(error, "sqlite_errorcode", 0) & 0xFF not in _DAMAGE:
                raise StoreError(words(path, error)) from error
            reason = str(error)
    aside = set_aside(path, lambda number: f"{path.stem}.damaged-{number}{path.suffix}")
    _log.error(
        "journal_damaged",
        set_aside=str(aside),
        reason=reason,
        meaning="the journal could not be read; it is made again from the recordings",
        do="keep the file if the log before the recordings matters; check the disk",
    )
    return *_open(path), aside


def words(path: Path, error: sqlite3.Error) -> str:
    """Tell what an SQLite error means here and what to do."""
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code in _DAMAGE:
        what = "the file is damaged. Restart condmon: it sets the file aside and rebuilds it"
    elif code == sqlite3.SQLITE_FULL:
        what = "the disk is full. Free some space; nothing is lost as long as condmon runs"
    elif code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        what = (
            "the file cannot be opened. Check that its folder belongs to the user condmon runs as"
        )
    elif code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        what = "another program holds the file locked. End that program"
    else:
        what = "the disk did not do what was asked. Check the disk and its free space"
    return f"{path}: {what} ({error})."


def disk_words(path: Path, error: OSError) -> str:
    """Tell what a file error means here and what to do."""
    return (
        f"{path}: cannot be used: {error.strerror}. "
        "Check the disk, its free space and who owns the folder."
    )


def _open(path: Path) -> tuple[sqlite3.Connection, bool]:
    db = connect(path)
    try:
        version = db.execute("PRAGMA user_version").fetchone()[0]
        if version > len(_MIGRATIONS):
            raise NewerError(path, version, len(_MIGRATIONS))
        verdict = db.execute("PRAGMA quick_check(1)").fetchone()[0]
        if verdict != "ok":
            damage = sqlite3.DatabaseError(verdict)
            damage.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
            raise damage
        for number, step in enumerate(_MIGRATIONS[version:], version + 1):
            db.executescript(f"BEGIN IMMEDIATE; {step}; PRAGMA user_version = {number}; COMMIT;")
    except BaseException:
        db.close()
        raise
    return db, version == 0
