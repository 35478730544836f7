"""The recorder: every record that reached condmon, durable before the broker is told so.

SQLite in WAL mode with synchronous FULL, one packed batch per commit, one file per UTC day. Each
file has its own table of signals, so that a changed configuration still reads old files. Offsets
count commits and only grow; the batches of one file all come before those of the next.
"""

import re
import sqlite3
import time
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import closing, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np

from condmon import log
from condmon.engine.records import Record, Samples
from condmon.engine.settings import Signal
from condmon.errors import NewerError, StoreError
from condmon.store.durable import set_aside, sync_folder
from condmon.store.packing import Integers, PackingError, pack, unpack

FORMAT = 1
_NAME = re.compile(r"stream-(\d{4}-\d\d-\d\d)(?:\.(\d+))?\.db")
_TABLES = f"""
    CREATE TABLE signals (id INTEGER PRIMARY KEY, machine TEXT NOT NULL, name TEXT NOT NULL,
                          UNIQUE (machine, name));
    CREATE TABLE batches (offset INTEGER PRIMARY KEY, content BLOB NOT NULL);
    PRAGMA user_version = {FORMAT};
"""
_log = log.get("recorder")

READ_TRIES = 5
READ_PAUSE_S = 0.2
_Read = TypeVar("_Read")


class _Damaged(Exception):  # noqa: N818 - a state of a file
    """A file that cannot be used any more; it is set aside."""


@dataclass(slots=True)
class _DayFile:
    """An open file of one day, ready for appending."""

    path: Path
    day: str
    db: sqlite3.Connection
    numbers: Integers  # index in the settings -> number in this file


@dataclass(slots=True)
class Counts:
    """What was left out while reading."""

    samples_of_vanished_signals: int = 0
    batches_damaged: int = 0
    files_set_aside: list[str] = field(default_factory=list)


class Recorder:
    """Appends batches and reads them back in order. One thread appends; any may read.

    Parameters
    ----------
    folder : Path
        The data folder; made when it is missing.
    signals : sequence of Signal
        The present signals; the `signal` column of Samples counts in it.
    now_us : callable
        The time that decides to which day's file a batch goes.
    offset_min : int
        The highest offset anything else has seen (the journal): new offsets lie above it even
        when the newest file had to be set aside.

    Raises StoreError where the folder cannot be used, NewerError where a later condmon wrote there.
    """

    def __init__(
        self,
        folder: Path,
        signals: Sequence[Signal],
        now_us: Callable[[], int],
        offset_min: int = 0,
    ) -> None:
        self.counts = Counts()
        self._folder = folder
        self._names = [(signal.machine, signal.name) for signal in signals]
        self._now_us = now_us
        self._file: _DayFile | None = None
        try:
            folder.mkdir(parents=True, exist_ok=True)
            spans = self._spans()
        except OSError as error:
            raise _refused(folder, error) from error
        self._last = max([offset_min, *(last for _path, _first, last in spans)])
        self._newest = spans[-1][0] if spans else None

    def append(self, records: Sequence[Record]) -> int:
        """Write one batch; its offset, once it is durable. Raises StoreError."""
        try:
            with suppress(_Damaged):  # a disk that refuses for a moment says so too
                return self._append(records)
            self._close_file()
            try:
                return self._append(records)
            except _Damaged as damage:  # once more, into a new file
                self._set_aside(self._path_in_use(), str(damage))
                return self._append(records)
        except (sqlite3.Error, OSError, _Damaged) as error:
            self._close_file()
            raise _refused(self._folder, error) from error

    def read(self, after: int) -> Generator[tuple[int, list[Record]], None, None]:
        """Offset and records of every batch after `after`, oldest first.

        Samples of signals that the settings no longer have are left out and counted; damaged
        batches are left out, counted and named in the log; a file that cannot be read is set aside.
        """
        for path, _first, last in self._spans():
            if last > after:
                yield from self._read_file(path, after)

    def last_offset(self) -> int:
        """Offset of the newest batch, 0 when there is none."""
        return self._last

    def offset_before_yesterday(self) -> int:
        """Offset after which everything of yesterday (UTC) and today lies."""
        day = datetime.fromtimestamp(self._now_us() / 1e6 - 86400, UTC).strftime("%Y-%m-%d")
        return max((last for path, _, last in self._spans() if _day_of(path) < day), default=0)

    def close(self) -> None:
        """Close the file in use. Appending opens it again."""
        self._close_file()

    # appending

    def _append(self, records: Sequence[Record]) -> int:
        file = self._ready()
        offset = self._last + 1
        try:
            content = pack(records, lambda column: file.numbers[column])
            # a try that was refused may have reached the file; this one takes its place
            file.db.execute("INSERT OR REPLACE INTO batches VALUES (?, ?)", (offset, content))
        except sqlite3.OperationalError:
            raise
        except sqlite3.DatabaseError as error:
            raise _Damaged(str(error)) from error
        self._last = offset
        return offset

    def _ready(self) -> _DayFile:
        """The file of today, opened when the day has changed or the file has gone away."""
        day = datetime.fromtimestamp(self._now_us() / 1e6, UTC).strftime("%Y-%m-%d")
        if self._file is not None and (self._file.day != day or not self._file.path.exists()):
            self._close_file()
        if self._file is None:
            path = self._path_of(day)
            self._file = _DayFile(path, day, *self._opened(path))
            self._newest = path
        return self._file

    def _path_of(self, day: str) -> Path:
        """Today's file if it is the newest one, else a new one.

        A file that was left is never written again, even when the clock goes back a day: so the
        offsets of two files never interleave.
        """
        found = [path for path in self._files() if _day_of(path) == day]
        if found and self._newest in {None, found[-1]}:
            return found[-1]
        parts = [_part_of(path) for path in found]
        name = f"stream-{day}.db" if not parts else f"stream-{day}.{max(parts) + 1}.db"
        return self._folder / name

    def _opened(self, path: Path) -> tuple[sqlite3.Connection, Integers]:
        new = not path.exists()
        db = sqlite3.connect(path, timeout=5.0, isolation_level=None, check_same_thread=False)
        try:
            db.execute("PRAGMA journal_mode = WAL")
            db.execute("PRAGMA synchronous = FULL")
            (version,) = db.execute("PRAGMA user_version").fetchone()
            if version == 0 and not db.execute("SELECT 1 FROM sqlite_master").fetchone():
                db.executescript(f"BEGIN; {_TABLES} COMMIT;")
            elif version > FORMAT:
                raise NewerError(path, version, FORMAT)
            elif version != FORMAT:
                raise _Damaged(f"its format is {version}, this program writes {FORMAT}")
            # what an earlier try left in the log may look written and not be on the disk
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            numbers = self._numbers(db)
        except BaseException as error:
            db.close()
            if isinstance(error, sqlite3.DatabaseError) and not isinstance(
                error, sqlite3.OperationalError
            ):
                raise _Damaged(str(error)) from error
            raise
        if new:
            sync_folder(self._folder)
        return db, numbers

    def _numbers(self, db: sqlite3.Connection) -> Integers:
        """Give the file's number of every present signal; those it lacks are added."""
        db.execute("BEGIN")
        db.executemany("INSERT OR IGNORE INTO signals (machine, name) VALUES (?, ?)", self._names)
        db.execute("COMMIT")
        known = {
            (machine, name): number
            for number, machine, name in db.execute("SELECT id, machine, name FROM signals")
        }
        return np.array([known[name] for name in self._names], np.int64)

    def _path_in_use(self) -> Path:
        if self._file is not None:
            return self._file.path
        day = datetime.fromtimestamp(self._now_us() / 1e6, UTC).strftime("%Y-%m-%d")
        return self._path_of(day)

    def _close_file(self) -> None:
        if self._file is not None:
            self._file.db.close()
            self._file = None

    # reading

    def _files(self) -> list[Path]:
        """The files in the order of their days and parts, which need not be that of offsets."""
        found = [path for path in self._folder.iterdir() if _NAME.fullmatch(path.name)]
        return sorted(found, key=lambda path: (_day_of(path), _part_of(path)))

    def _spans(self) -> list[tuple[Path, int, int]]:
        """Files that hold batches with their first and last offset, in the order of offsets."""
        spans: list[tuple[Path, int, int]] = []
        for path in self._files():
            spans += [(path, *span) for span in self._tried(path, partial(_span_of, path))]
        return sorted(spans, key=lambda span: span[1])

    def _read_file(self, path: Path, after: int) -> Generator[tuple[int, list[Record]], None, None]:
        reached = after

        def rest() -> Iterator[tuple[int, list[Record] | None]]:
            with closing(_reader(path)) as db:
                present = self._present(db)
                sql = "SELECT offset, content FROM batches WHERE offset > ? ORDER BY offset"
                for offset, content in db.execute(sql, (reached,)):
                    yield int(offset), self._unpacked(path, offset, content, present)

        for offset, records in self._tried(path, rest):
            reached = offset
            if records is not None:
                yield offset, records

    def _tried(self, path: Path, read: Callable[[], Iterator[_Read]]) -> Iterator[_Read]:
        """What `read` gives, begun again a few times when the disk refuses for a moment.

        A file left out for a passing trouble would be a day that the engine never saw. SQLite calls
        a read that the disk refused (EIO) damage, so that damage is looked at again as well.
        """
        for tries_left in reversed(range(READ_TRIES)):
            try:
                yield from read()
            except sqlite3.DatabaseError as error:
                if tries_left and not _unborn(error):
                    time.sleep(READ_PAUSE_S)
                    continue
                self._unreadable(path, error)
            return

    def _unreadable(self, path: Path, error: sqlite3.DatabaseError) -> None:
        """Set a damaged file aside; one that only cannot be opened now is named and left."""
        if not isinstance(error, sqlite3.OperationalError):
            self._set_aside(path, str(error))
        elif not _unborn(error):
            _log.error(
                "recording file cannot be read",
                file=path.name,
                error=error,
                meaning="what is in it is missing now; look at its owner and the disk",
            )

    def _present(self, db: sqlite3.Connection) -> Integers:
        """Number in the file -> index in the settings, -1 for signals that are gone."""
        index = {name: place for place, name in enumerate(self._names)}
        rows = db.execute("SELECT id, machine, name FROM signals").fetchall()
        present = np.full(max((row[0] for row in rows), default=0) + 1, -1, np.int64)
        for number, machine, name in rows:
            present[number] = index.get((machine, name), -1)
        return present

    def _unpacked(
        self, path: Path, offset: int, content: bytes, present: Integers
    ) -> list[Record] | None:
        try:
            records, lost = unpack(content, lambda column: present[column])
        except PackingError as error:
            self.counts.batches_damaged += 1
            _log.error(
                "batch in the recording is damaged",
                file=path.name,
                offset=offset,
                error=error,
                meaning="it is left out, the rest is read",
            )
            return None
        self.counts.samples_of_vanished_signals += lost
        return records

    def _set_aside(self, path: Path, reason: str) -> None:
        """Move a damaged file out of the way, with its WAL; nothing is deleted."""
        if self._file is not None and self._file.path == path:
            self._close_file()
        aside = set_aside(path, lambda number: f"{path.name}.damaged-{number}")
        self.counts.files_set_aside.append(aside.name)
        _log.error(
            "recording file is damaged and was set aside",
            file=path.name,
            error=reason,
            now_called=aside.name,
            meaning="what is in it is missing from the record; everything else goes on",
        )


def rows_in(records: Sequence[Record]) -> int:
    """How many samples a batch holds."""
    return sum(len(record) for record in records if isinstance(record, Samples))


def _unborn(error: sqlite3.DatabaseError) -> bool:
    """Whether this tells of a file that was made and never written."""
    return "no such table" in str(error)


def _span_of(path: Path) -> Iterator[tuple[int, int]]:
    """First and last offset in a file; nothing while it holds nothing. Raises NewerError."""
    with closing(_reader(path)) as db:
        (version,) = db.execute("PRAGMA user_version").fetchone()
        if version > FORMAT:
            raise NewerError(path, version, FORMAT)
        first, last = db.execute("SELECT min(offset), max(offset) FROM batches").fetchone()
    if first is not None:
        yield int(first), int(last)


def _reader(path: Path) -> sqlite3.Connection:
    """A connection that changes nothing in the file."""
    db = sqlite3.connect(path, timeout=5.0, isolation_level=None, check_same_thread=False)
    db.execute("PRAGMA query_only = ON")
    return db


def _day_of(path: Path) -> str:
    match = _NAME.fullmatch(path.name)
    assert match
    return match[1]


def _part_of(path: Path) -> int:
    match = _NAME.fullmatch(path.name)
    assert match
    return int(match[2] or 1)


def _refused(folder: Path, error: Exception) -> StoreError:
    return StoreError(
        f"cannot write the record in {folder}: {error}. Make room or give condmon "
        "the right to write there; until then it watches from memory."
    )
