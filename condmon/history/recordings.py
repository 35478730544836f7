"""The recorder's day files as the history reads them: which are finished, their samples settled.

Only ever reads. A day file is finished once a later one holds batches: the recorder writes none
that it has left. Times are settled by the engine's own intake, as when the samples came.
"""

import re
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from condmon import log
from condmon.clock import SiteCalendar
from condmon.engine import records as rec
from condmon.engine.intake import Intake
from condmon.engine.records import F64, GOOD, I64, SECOND_US, SUSPECT, U8, Record, Samples
from condmon.engine.runs import joined
from condmon.engine.settings import Machine, Settings, Signal
from condmon.errors import NewerError, StoreError
from condmon.store.packing import Integers, PackingError, unpack
from condmon.store.recorder import FORMAT

Name = tuple[str, str]
"""(machine, signal)."""

WARM_BATCHES = 4000  # read before a span, so that clocks of devices and repeats are known
_NAME = re.compile(r"stream-(\d{4}-\d\d-\d\d)(?:\.(\d+))?\.db")
_log = log.get("history")


@dataclass(frozen=True, slots=True)
class Stream:
    """One day file: where it is, of which day (UTC), its first and last offset."""

    path: Path
    day: str
    first: int
    last: int

    @property
    def stem(self) -> str:
        """Its name without the ending."""
        return self.path.name.removesuffix(".db")


class Columns(NamedTuple):
    """Samples in order of arrival with the time they belong to; all columns of shape (n,).

    `number` counts in a list of names that goes along; `value` is as recorded, NaN where there was
    none; `quality` is as recorded, except that what a broker kept of a measure is suspect.
    """

    number: I64
    at_us: I64
    value: F64
    quality: U8

    def pick(self, rows: Any) -> "Columns":
        """Some rows of all columns."""
        return Columns(*(column[rows] for column in self))


def streams(folder: Path) -> list[Stream]:
    """Day files that hold batches, in the order of their offsets; unreadable ones are named.

    Raises NewerError.
    """
    found = []
    for path in folder.glob("stream-*.db"):
        match = _NAME.fullmatch(path.name)
        if match is None:
            continue
        try:
            with closing(_opened(path)) as db:
                (form,) = db.execute("PRAGMA user_version").fetchone()
                if form > FORMAT:
                    raise NewerError(path, form, FORMAT)
                first, last = db.execute("SELECT min(offset), max(offset) FROM batches").fetchone()
        except sqlite3.Error as error:
            _log.error(
                "recording file cannot be read",
                file=path.name,
                error=error,
                meaning="it is left as it is and not sealed",
            )
            continue
        if first is not None:
            found.append(Stream(path, match[1], int(first), int(last)))
    return sorted(found, key=lambda stream: stream.first)


def finished(folder: Path) -> list[Stream]:
    """Day files that will never be written again."""
    return streams(folder)[:-1]


def names_in(stream: Stream) -> list[Name]:
    """Names of the file's own table of signals; place = number there, ("", "") where it has none.

    Raises StoreError.
    """
    with _Reading(stream) as db:
        rows = db.execute("SELECT id, machine, name FROM signals").fetchall()
    names: list[Name] = [("", "")] * (max((row[0] for row in rows), default=0) + 1)
    for number, machine, name in rows:
        names[number] = (machine, name)
    return names


def batches(
    stream: Stream, renumber: Callable[[Integers], Integers], after: int = 0, until: int = 2**62
) -> Iterator[tuple[int, list[Record]]]:
    """Offset and records of the batches in (after, until]; a damaged one is left out and named.

    Raises StoreError.
    """
    with _Reading(stream) as db:
        sql = "SELECT offset, content FROM batches WHERE offset > ? AND offset <= ? ORDER BY offset"
        for offset, content in db.execute(sql, (after, until)):
            try:
                records, _ = unpack(content, renumber)
            except PackingError as error:
                _log.error(
                    "batch in the recording is damaged",
                    file=stream.path.name,
                    offset=offset,
                    error=error,
                    meaning="it is left out, the rest is read",
                )
                continue
            yield int(offset), records


def offset_at(stream: Stream, at_us: int) -> int:
    """An offset before the first batch that arrived at `at_us` or later; found by halving."""
    low, high = stream.first - 1, stream.last + 1
    with _Reading(stream) as db:
        while high - low > 1:
            middle = (low + high) // 2
            when = _time_from(db, middle, high)
            low, high = (low, middle) if when is None or when >= at_us else (middle, high)
    return low


def _time_from(db: sqlite3.Connection, offset: int, until: int) -> int | None:
    """Arrival of the first readable batch from `offset` on."""
    sql = "SELECT content FROM batches WHERE offset >= ? AND offset <= ? ORDER BY offset LIMIT 50"
    for (content,) in db.execute(sql, (offset, until)):
        try:
            records, _ = unpack(content, lambda column: column)
        except PackingError:
            continue
        for record in records:
            if not isinstance(record, Samples):
                return record.at_us
            if len(record):
                return int(record.arrived_us[0])
    return None


def settled(
    chain: Sequence[Stream],
    names: Sequence[Name],
    states: frozenset[Name],
    after: int,
    until: int,
    rows_max: int,
) -> Iterator[Columns]:
    """Samples of the batches in (after, until] in pieces of about `rows_max` rows.

    Parameters
    ----------
    chain : sequence of Stream
        The files that hold them, and the one before, from which devices' clocks are known.
    names : sequence of Name
        What is wanted; `number` counts in it.
    states : frozenset of Name
        Which of them are states: what a broker kept of these is good.
    """
    intake = Intake(_plain_settings(names, states))
    known = np.array([name in states for name in names] or [False], bool)
    since = after - WARM_BATCHES
    for run, warm in _runs(chain, names, since, after, until, rows_max):
        taken = intake.take(run)
        if warm:
            continue
        kept = np.flatnonzero(taken.mark & rec.REPEAT == 0)
        quality = run.quality.copy()
        stale = (run.mark & rec.RETAINED > 0) & (run.own_us == rec.NO_TIME) & ~known[run.signal]
        quality[stale & (quality == GOOD)] = SUSPECT
        usable = (run.mark & rec.TIME_UNREADABLE > 0) & (run.reason == 0) & (quality == SUSPECT)
        quality[usable & ~stale] = GOOD  # an odd date beside a good value is no bad value
        whole = Columns(run.signal.astype(np.int64), taken.at_us, run.value, quality)
        yield whole.pick(kept)


def _runs(
    chain: Sequence[Stream],
    names: Sequence[Name],
    since: int,
    after: int,
    until: int,
    rows_max: int,
) -> Iterator[tuple[Samples, bool]]:
    """Runs of about `rows_max` samples, and whether they lie before `after`."""
    index = {name: place for place, name in enumerate(names)}
    parts: list[Samples] = []
    rows, warm = 0, True
    for stream in chain:
        if stream.last <= since or stream.first > until:
            continue
        present = np.array([index.get(name, -1) for name in names_in(stream)], np.int64)
        for offset, records in batches(stream, lambda column, p=present: p[column], since, until):  # type: ignore[misc]
            if parts and (rows >= rows_max or (warm and offset > after)):
                yield joined(parts), warm
                parts, rows = [], 0
            warm = offset <= after
            for record in records:
                if isinstance(record, Samples) and len(record):
                    parts.append(record)
                    rows += len(record)
    if parts:
        yield joined(parts), warm


def _plain_settings(names: Sequence[Name], states: frozenset[Name]) -> Settings:
    """Signals without ranges or limits: nothing but their times is judged."""
    signals = tuple(
        Signal(place, machine, name, "", "state" if (machine, name) in states else "measure")
        for place, (machine, name) in enumerate(names)
    )
    return Settings("", SiteCalendar("UTC"), (Machine("", "", signals),))


class _Reading:
    """A connection that changes nothing; what SQLite says becomes a StoreError in words."""

    def __init__(self, stream: Stream) -> None:
        self._stream = stream

    def __enter__(self) -> sqlite3.Connection:
        try:
            self._db = _opened(self._stream.path)
        except sqlite3.Error as error:
            raise self._refused(error) from error
        return self._db

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        self._db.close()
        if isinstance(error, sqlite3.Error):
            raise self._refused(error) from error

    def _refused(self, error: sqlite3.Error) -> StoreError:
        return StoreError(
            f"{self._stream.path}: this recording cannot be read: {error}. It is left as it is; "
            "look at its owner and the disk."
        )


def _opened(path: Path) -> sqlite3.Connection:
    # not mode=ro, which leaves files of its own beside the recording
    db = _connected(path, "mode=rw")
    try:
        db.execute("SELECT 1 FROM sqlite_schema LIMIT 1").fetchone()
    except sqlite3.OperationalError:
        db.close()
        # a full disk has no room for the files by which readers and a writer agree; a recording
        # that was closed has no writer, and all of it is in the one file
        log_of = path.with_name(path.name + "-wal")
        if log_of.exists() and log_of.stat().st_size:
            raise
        db = _connected(path, "mode=ro&immutable=1")
    return db


def _connected(path: Path, how: str) -> sqlite3.Connection:
    db = sqlite3.connect(f"{path.resolve().as_uri()}?{how}", uri=True, timeout=5.0)
    db.execute("PRAGMA query_only = ON")
    return db


def day_of(at_us: int) -> str:
    """The day (UTC) of an instant."""
    return str(np.datetime64(at_us // SECOND_US, "s").astype("datetime64[D]"))


def day_start_us(day: str) -> int:
    """The first instant of a day (UTC)."""
    return int(np.datetime64(day, "us").astype(np.int64))
