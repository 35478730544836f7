"""The hash chain of the event log: each entry's hash covers all it says and the hash before it.

A chain has a beginning of its own (when, why, how many entries stood there before), so that a
journal that was made anew never passes for the one it replaces. An entry that is changed, taken
out or moved afterwards no longer fits; what was cut off at the end shows against a head that was
noted elsewhere. It cannot be told from an honest log if everything from the change on is made
anew and no head was noted outside this computer.
"""

import hashlib
import os
import re
import sqlite3
from pathlib import Path
from typing import BinaryIO, NamedTuple

import orjson

from condmon.clock import rfc3339
from condmon.engine.outputs import Entry
from condmon.engine.records import SECOND_US

NOTED = "log-heads.txt"
"""File beside the journal: one head a day, to be copied elsewhere."""

DAY_US = 86_400 * SECOND_US
ROWS_AT_ONCE = 5_000
_HEAD = re.compile(r"(\d{1,18}):([0-9a-f]{64})", re.ASCII)
_LINE = re.compile(r"\S+ ([0-9a-f]{12}) (\d{1,18}:[0-9a-f]{64})", re.ASCII)


class Head(NamedTuple):
    """The hash of one entry with its number; number 0 is the beginning of a chain."""

    seq: int
    hash: bytes

    def __str__(self) -> str:
        """The form in which people note it: `number:hash`."""
        return f"{self.seq}:{self.hash.hex()}"


class Noted(NamedTuple):
    """A head out of the file beside the journal."""

    chain: str  # which chain it is of: `name_of` its beginning
    head: Head


def parse_head(text: str) -> Head | None:
    """Read what `str(head)` wrote; None when it is no such text."""
    found = _HEAD.fullmatch(text.strip().lower())
    return Head(int(found[1]), bytes.fromhex(found[2])) if found else None


def beginning(began_us: int, reason: str, older: int) -> bytes:
    """The hash a chain begins with; `older` entries had been written before there was a chain."""
    return _digest(b"condmon event log, form 1", began_us, reason, older)


def name_of(begun: bytes) -> str:
    """A short name of a chain, made from its beginning."""
    return begun.hex()[:12]


def link(
    before: bytes,
    seq: int,
    made: str | bytes,
    at_us: int,
    machine: str | bytes,
    kind: str | bytes,
    text: str | bytes,
    facts: str | bytes,
) -> bytes:
    """The hash of an entry as it lies in the journal: `made` is its id, `facts` JSON as stored."""
    return _digest(before, seq, made, at_us, machine, kind, text, facts)


def _digest(before: bytes, *parts: str | bytes | int) -> bytes:
    """SHA-256 over the hash before and every part with its length, so that none runs into another.

    Integers go in as decimal digits, texts as UTF-8.
    """
    whole = [before]
    for part in parts:
        raw = part if isinstance(part, bytes) else str(part).encode(errors="surrogatepass")
        whole += (b"%d:" % len(raw), raw)
    return hashlib.sha256(b"".join(whole)).digest()


class Tail:
    """The end of a journal's chain inside one transaction; entries are put after it.

    Parameters
    ----------
    db : sqlite3.Connection
        The journal, in a transaction.
    now_us : int
        When a chain begins, should none be there.
    reason : str
        Why it begins.
    """

    def __init__(self, db: sqlite3.Connection, now_us: int, reason: str) -> None:
        self._db = db
        found = db.execute("SELECT head_seq, head FROM chain").fetchone()
        if found is None:
            found = self._begin(now_us, reason)
        self.head = Head(*found)

    def add(self, entry: Entry, facts: str) -> None:
        """Put an entry at the end; one that is there already changes nothing."""
        if self._db.execute("SELECT 1 FROM entry WHERE id = ?", (entry.id,)).fetchone():
            return
        seq = self.head.seq + 1
        row = (entry.id, int(entry.at_us), entry.machine, entry.kind, entry.text, facts)
        made = link(self.head.hash, seq, *row)
        self._db.execute(
            "INSERT INTO entry(seq, id, at_us, machine, kind, text, facts, hash)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (seq, *row, made),
        )
        self.head = Head(seq, made)

    def keep(self) -> None:
        """Write down where the chain ends now."""
        self._db.execute("UPDATE chain SET head_seq = ?, head = ?", self.head)

    def _begin(self, now_us: int, reason: str) -> Head:
        """Begin a chain, with the entries in it that were written before there was one."""
        older = self._db.execute("SELECT count(*) FROM entry").fetchone()[0]
        if older:
            reason = "these entries were written by a condmon that did not chain them yet"
        begun = beginning(now_us, reason, older)
        head = Head(0, begun)
        while rows := self._db.execute(
            "SELECT seq, id, at_us, machine, kind, text, facts FROM entry"
            " WHERE seq > ? ORDER BY seq LIMIT ?",
            (head.seq, ROWS_AT_ONCE),
        ).fetchall():
            for row in rows:
                head = Head(row[0], link(head.hash, *row))
                self._db.execute("UPDATE entry SET hash = ? WHERE seq = ?", head[::-1])
        self._db.execute(
            "INSERT INTO chain(number, began_us, reason, older, head_seq, head)"
            " VALUES (1, ?, ?, ?, ?, ?)",
            (now_us, reason, older, *head),
        )
        return head


class HeadLog:
    """One head a day in a file beside the journal."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / NOTED
        self._day = -1

    def due(self, now_us: int) -> bool:
        """Whether the head of this day still has to be noted."""
        if self._day < 0 and self._last_day() == rfc3339(now_us)[:10]:
            self._day = now_us // DAY_US
        return now_us // DAY_US != self._day

    def note(self, begun: bytes, head: Head, now_us: int) -> None:
        """Note the head of a day. OSError where the disk refuses."""
        self._day = now_us // DAY_US  # where the disk refuses, tomorrow is soon enough
        line = f"{rfc3339(now_us)} {name_of(begun)} {head}\n"
        with self.path.open("ab+") as file:
            if file.tell() and not _ends_a_line(file):
                line = f"\n{line}"  # heals a line that a crash cut short
            file.write(line.encode())
            file.flush()
            os.fsync(file.fileno())

    def kept(self) -> list[Noted]:
        """All heads that can be read, oldest first; a line that is none is passed over."""
        try:
            lines = self.path.read_text(encoding="ascii", errors="replace").splitlines()
        except OSError:
            return []
        found = [_LINE.fullmatch(line) for line in lines]
        heads = [(match[1], parse_head(match[2])) for match in found if match]
        return [Noted(chain, head) for chain, head in heads if head is not None]

    def _last_day(self) -> str:
        try:
            lines = self.path.read_text(encoding="ascii", errors="replace").splitlines()
        except OSError:
            return ""
        return lines[-1][:10] if lines else ""


def _ends_a_line(file: BinaryIO) -> bool:
    file.seek(-1, os.SEEK_END)
    return file.read(1) == b"\n"


def facts_text(facts: object) -> str:
    """Facts as they lie in the journal."""
    # default=dict: facts may be any mapping
    return orjson.dumps(facts, default=dict, option=orjson.OPT_SERIALIZE_NUMPY).decode()
