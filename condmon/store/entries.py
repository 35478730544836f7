"""Entries of the event log, narrowed by machine, kind, time and words; for commands and pages.

Words are looked up in the journal's own index (SQLite FTS5): all of them must occur, each as the
beginning of a word, without regard to case and accents. No text that a person can type raises.
"""

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

import orjson

from condmon.engine.outputs import Alert, Entry
from condmon.errors import StoreError
from condmon.store.journal import Reader, alert_of

WORDS_MAX = 12
WORD_CHARS_MAX = 60
ROWS_AT_ONCE = 2_000
AFTER_ALL = 2**62

_COLUMNS = (
    "SELECT entry.seq, entry.hash, entry.id, entry.at_us, entry.machine, entry.kind, entry.text,"
    " entry.facts FROM"
)
_CORRECTIONS = (
    "SELECT seq, hash, id, at_us, machine, kind, text, facts FROM entry WHERE kind = 'action'"
    " AND json_extract(facts, '$.corrects') IN (SELECT value FROM json_each(:ids)) ORDER BY seq"
)


class Numbered(NamedTuple):
    """An entry with its place in the chain."""

    seq: int
    hash: bytes
    entry: Entry


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which entries: empty texts and the widest span stand for all of them."""

    machine: str = ""
    kind: str = ""
    words: str = ""
    from_us: int = -AFTER_ALL
    to_us: int = AFTER_ALL  # not itself


class EntryReader(Reader):
    """A `Reader` that finds entries. Raises StoreError where the journal cannot be read."""

    def find(self, wanted: Wanted, limit: int, before: int = 0) -> list[Numbered]:
        """The newest entries first, those older than the number `before` where it is not 0."""
        where, values = _where(wanted)
        values |= {"before": before or AFTER_ALL, "limit": limit}
        return [
            _numbered(row)
            for row in self._asked(
                f"{where} AND {_seq(wanted)} < :before ORDER BY {_seq(wanted)} DESC LIMIT :limit",
                values,
            )
        ]

    def each(self, wanted: Wanted, limit: int = AFTER_ALL) -> Iterator[Numbered]:
        """The oldest entries first, as many as there are; a part at a time."""
        where, values = _where(wanted)
        after, left = -1, limit
        while left > 0:
            values |= {"after": after, "limit": min(left, ROWS_AT_ONCE)}
            rows = self._asked(
                f"{where} AND {_seq(wanted)} > :after ORDER BY {_seq(wanted)} LIMIT :limit", values
            )
            yield from map(_numbered, rows)
            if len(rows) < ROWS_AT_ONCE:
                return
            after, left = rows[-1][0], left - len(rows)

    def count(self, wanted: Wanted) -> int:
        """How many entries there are of what is wanted."""
        where, values = _where(wanted)
        return int(self._asked(where.replace(_COLUMNS, "SELECT count(*) FROM"), values)[0][0])

    def entry_named(self, name: str) -> Numbered | None:
        """One entry by its number or its id."""
        number = int(name) if name.isascii() and name.isdigit() and len(name) < 16 else -1
        rows = self._asked(
            f"{_COLUMNS} entry WHERE id = :name OR seq = :number ORDER BY id = :name DESC LIMIT 1",
            {"name": _plain(name), "number": number},
        )
        return _numbered(rows[0]) if rows else None

    def corrections(self, ids: list[str]) -> dict[str, list[Numbered]]:
        """Entries that correct others, by the id they point back to."""
        found: dict[str, list[Numbered]] = {}
        for row in self._asked(_CORRECTIONS, {"ids": orjson.dumps(ids).decode()}):
            one = _numbered(row)
            found.setdefault(str(one.entry.facts["corrects"]), []).append(one)
        return found

    def alerts_between(self, machine: str, from_us: int, to_us: int, limit: int) -> list[Alert]:
        """A machine's alerts that lasted into a span, newest first."""
        rows = self._rows(
            "SELECT body FROM alert WHERE json_extract(body, '$.machine') = ?1 AND raised_us <= ?3"
            " AND coalesce(ended_us, ?3) >= ?2 ORDER BY raised_us DESC LIMIT ?4",
            machine,
            from_us,
            to_us,
            limit,
        )
        return [alert_of(row[0]) for row in rows]

    def _asked(self, sql: str, values: dict[str, object]) -> list[tuple[Any, ...]]:
        try:
            return self._db.execute(sql, values).fetchall()
        except sqlite3.OperationalError as error:
            if "no such" in str(error):
                raise StoreError(
                    f"{self.path}: was written by an older condmon. Start the daemon of this "
                    "version once; it brings the log up to date."
                ) from error
            return self._rows(sql, values)  # says what is wrong with the file
        except sqlite3.Error:
            return self._rows(sql, values)


def _where(wanted: Wanted) -> tuple[str, dict[str, object]]:
    """The query up to its order, and its values."""
    looked_up, literal = _parted(wanted.words)
    values: dict[str, object] = {}
    parts = ["1"]
    table = "entry"
    if looked_up:
        table = "entry_words JOIN entry ON entry.seq = entry_words.rowid"
        parts.append("entry_words MATCH :looked_up")
        values["looked_up"] = looked_up
    for number, piece in enumerate(literal):
        parts.append(f"instr(lower(entry.text), lower(:piece{number})) > 0")
        values[f"piece{number}"] = piece
    for name in ("machine", "kind"):
        if getattr(wanted, name):
            parts.append(f"entry.{name} = :{name}")
            values[name] = _plain(getattr(wanted, name))
    if wanted.from_us > -AFTER_ALL:
        parts.append("entry.at_us >= :from_us")
        values["from_us"] = wanted.from_us
    if wanted.to_us < AFTER_ALL:
        parts.append("entry.at_us < :to_us")
        values["to_us"] = wanted.to_us
    return f"{_COLUMNS} {table} WHERE {' AND '.join(parts)}", values


def _seq(wanted: Wanted) -> str:
    """The column to order by: the index hands its rows out in order by itself."""
    return "entry_words.rowid" if _parted(wanted.words)[0] else "entry.seq"


def _parted(words: str) -> tuple[str, list[str]]:
    """A query for the index, and the pieces it cannot know because no letter or digit is in them.

    A piece such as "air/flow" is looked up as the words air and flow, one after the other.
    """
    looked_up, literal = [], []
    for piece in _plain(words).split()[:WORDS_MAX]:
        cut = piece[:WORD_CHARS_MAX]
        if any(sign.isalnum() for sign in cut):
            looked_up.append('"' + cut.replace('"', " ") + '"*')
        else:
            literal.append(cut)
    return " AND ".join(looked_up), literal


def _plain(text: str) -> str:
    """Text that SQLite takes: no half characters, no zero byte."""
    return text.encode(errors="replace").decode().replace("\0", " ")


def _numbered(row: tuple[Any, ...]) -> Numbered:
    return Numbered(row[0], row[1] or b"", Entry(*(*row[2:7], orjson.loads(row[7]))))
