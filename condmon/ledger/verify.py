"""Is the event log as it was written? Walks the chain and names each entry that does not fit.

It finds what was edited, removed, put in, moved or cut off, as long as not everything from there on
was made anew; then only a head that was noted elsewhere shows it.
"""

import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, NamedTuple

from condmon.clock import rfc3339
from condmon.errors import StoreError
from condmon.ledger.photos import look_up, photos_in
from condmon.store.chain import Head, HeadLog, Noted, beginning, link, name_of
from condmon.store.journal_file import read_only, words

KEPT_MAX = 200
"""So many faults are told apart; of further ones only the number is told."""

TEXT_SHOWN = 80
NOTHING = Head(0, b"")
Kind = Literal["edited", "removed", "put in", "moved", "cut off", "beginning", "head", "photo"]
Row = tuple[Any, ...]
_ROWS = "SELECT seq, id, at_us, machine, kind, text, facts, hash FROM entry ORDER BY seq"


class Fault(NamedTuple):
    """One thing that is not as it was written; it concerns the entries from `first` to `last`."""

    kind: Kind
    first: int
    last: int
    text: str


@dataclass(slots=True)
class Verdict:
    """What a walk along the chain found."""

    entries: int = 0
    began_us: int = 0
    reason: str = ""
    older: int = 0  # entries of before the chain began
    chain: str = ""  # its short name
    head: Head = NOTHING
    faults: list[Fault] = field(default_factory=list)
    more_faults: int = 0
    heads_fit: int = 0  # noted heads that lie on this chain
    heads_of_others: int = 0  # noted under a chain that came before this one
    photos: dict[str, int] = field(default_factory=dict)  # name -> the first entry that names it

    @property
    def whole(self) -> bool:
        """Whether nothing was found."""
        return not self.faults

    def add(self, kind: Kind, first: int, last: int, text: str) -> None:
        """Keep a fault, as long as there is room."""
        if len(self.faults) < KEPT_MAX:
            self.faults.append(Fault(kind, first, last, text))
        else:
            self.more_faults += 1


def verify(path: Path, noted: Sequence[Head] = (), photos: Path | None = None) -> Verdict:
    """Walk along the chain of a journal file; `noted` are heads a person kept elsewhere.

    The heads in the file beside the journal are looked at too, and with a data folder as `photos`
    the photos that entries name: a name is the beginning of the photo's own hash. Raises
    StoreError when the file is damaged, or of before there was a chain.
    """
    if not path.exists():
        raise StoreError(f"{path}: there is no such journal. Name another, or start the daemon.")
    beside = HeadLog(path.parent).kept()  # first, for a head noted meanwhile lies further on
    with closing(read_only(path)) as db:
        db.text_factory = bytes
        try:
            db.execute("BEGIN")  # what the daemon adds meanwhile is not seen half
            verdict = _verdict(db, beside, noted)
        except sqlite3.Error as error:
            if "no such" not in str(error):
                raise StoreError(words(path, error)) from error
            raise StoreError(
                f"{path}: was written by a condmon that did not chain its entries yet. Start the "
                "daemon of this version once; it begins a chain over what is there."
            ) from error
    if photos is not None:
        for name, seq in verdict.photos.items():
            if trouble := look_up(photos, name).trouble:
                verdict.add("photo", seq, seq, f"the photo {name} of entry {seq} {trouble}")
    verdict.faults.sort(key=lambda fault: fault.first)
    return verdict


def _verdict(db: sqlite3.Connection, beside: Sequence[Noted], noted: Sequence[Head]) -> Verdict:
    verdict = Verdict()
    found = db.execute("SELECT began_us, reason, older, head_seq, head FROM chain").fetchone()
    if found is None:
        verdict.entries = db.execute("SELECT count(*) FROM entry").fetchone()[0]
        if verdict.entries or noted:
            verdict.add("beginning", 1, verdict.entries, "the beginning of the chain is missing: "
                        "of nothing in this log can be shown that it is as written")  # fmt: skip
        return verdict
    verdict.began_us, reason, verdict.older = found[:3]
    verdict.reason = reason.decode(errors="replace")
    seed = beginning(verdict.began_us, verdict.reason, verdict.older)
    verdict.chain = name_of(seed)
    heads = [*(head for chain, head in beside if chain == verdict.chain), *noted]
    verdict.heads_of_others = len(beside) + len(noted) - len(heads)
    walk = _Walk(verdict, seed, {head.seq for head in heads})
    walk.go(db.execute(_ROWS))
    _end(verdict, Head(*found[3:]))
    _compare(verdict, walk.held, heads)
    return verdict


class _Walk:
    """One pass over the entries, with the doubtful ones kept for a second look.

    `held` has the hashes at the numbers of which somebody noted the head.
    """

    def __init__(self, verdict: Verdict, seed: bytes, noted: set[int]) -> None:
        self.held = {0: seed}
        self._verdict = verdict
        self._noted = noted
        self._seq, self._at_us = 0, 0
        self._before: bytes | None = seed  # stored hash of the row before; None: it is missing
        self._made: bytes | None = None  # the hash that row should have, where it does not fit
        self._doubtful: list[tuple[bytes, Row]] = []  # hash before it, row

    def go(self, rows: Iterable[Row]) -> None:
        """Look at every row, then say what became of the doubtful ones."""
        for row in rows:
            self._verdict.entries += 1
            if row[0] < 1:
                self._verdict.add("put in", row[0], row[0], f"entry {row[0]} has a number that "
                                  f"condmon never gives: {_told(row)}")  # fmt: skip
            else:
                self._look(row)
        self._verdict.head = Head(self._seq, self._before or b"")
        self._name()

    def _look(self, row: Row) -> None:
        seq, at_us, held = row[0], row[2], row[7] or b""
        if seq != self._seq + 1:
            self._verdict.add(
                "removed", self._seq + 1, seq - 1,
                f"{_numbers(self._seq + 1, seq - 1)} missing, between "
                f"{rfc3339(self._at_us) if self._seq else 'the beginning'} and {rfc3339(at_us)}",
            )  # fmt: skip
            self._before = self._made = None  # the row behind a hole cannot be judged
        made = held if self._before is None else link(self._before, *row[:7])
        if made == held:
            self._made = None
        elif self._made is not None and link(self._made, *row[:7]) == held:
            self._made = None  # only the hash of the row before it was edited
        else:
            assert self._before is not None
            if len(self._doubtful) < KEPT_MAX:
                self._doubtful.append((self._before, row))
            else:
                self._verdict.more_faults += 1
            self._made = made
        self._before, self._seq, self._at_us = held, seq, at_us
        if seq in self._noted:
            self.held[seq] = held
        if b"[photo " in row[5]:
            for name in photos_in(row[5].decode(errors="replace")):
                self._verdict.photos.setdefault(name, seq)

    def _name(self) -> None:
        """Say of each doubtful row whether it was moved or edited."""
        few = self._doubtful
        own = {row[0]: _own_place(row, few) for _, row in few}
        true = {own[row[0]]: row[7] for _, row in few if own[row[0]]}
        for _, row in few:
            seq, place = row[0], own[row[0]]
            if place:
                self._verdict.add("moved", seq, place, f"entry {seq} holds what was written as "
                                  f"entry {place}: {_told(row)}")  # fmt: skip
            elif seq - 1 in true and link(true[seq - 1], *row[:7]) == row[7]:
                continue  # it fits what belongs before it
            else:
                self._verdict.add("edited", seq - 1, seq, f"entry {seq} was edited, or entry "
                                  f"{seq - 1} together with its hash: {_told(row)}")  # fmt: skip


def _own_place(row: Row, doubtful: Sequence[tuple[bytes, Row]]) -> int:
    """The number under which the words of a row were chained; 0 where none of these is it."""
    for before, other in doubtful:
        if other[0] != row[0]:
            for hash_before in (before, other[7] or b""):
                if link(hash_before, other[0], *row[1:7]) in {other[7], row[7]}:
                    return int(other[0])
    return 0


def _end(verdict: Verdict, kept: Head) -> None:
    """Compare the last entry with the head the journal keeps of itself."""
    found = verdict.head
    if found.seq < kept.seq:
        numbers = _numbers(found.seq + 1, kept.seq)
        verdict.add("cut off", found.seq + 1, kept.seq, f"{numbers} missing at the end of the log")
    elif found.seq > kept.seq:
        verdict.add("put in", kept.seq + 1, found.seq,
                    f"{_numbers(kept.seq + 1, found.seq)} not from condmon")  # fmt: skip
    elif found.hash != kept.hash and not any(fault.last == found.seq for fault in verdict.faults):
        verdict.add("edited", found.seq, found.seq, f"entry {found.seq}, the last one, was edited "
                    "together with its hash, or the head that the journal keeps was")  # fmt: skip


def _compare(verdict: Verdict, held: dict[int, bytes], heads: Sequence[Head]) -> None:
    """Say which noted heads do not lie on the chain."""
    for head in heads:
        if held.get(head.seq) == head.hash:
            verdict.heads_fit += 1
        elif head.seq > verdict.head.seq:
            verdict.add("cut off", verdict.head.seq + 1, head.seq, "a head was noted for entry "
                        f"{head.seq}, and the log ends at entry {verdict.head.seq}")  # fmt: skip
        else:
            verdict.add("head", 1, head.seq, f"the head noted for entry {head.seq} is another: the "
                        "log was made anew from somewhere before, or it was noted under an "
                        "earlier chain")  # fmt: skip


def _numbers(first: int, last: int) -> str:
    return f"entry {first} is" if first == last else f"entries {first} to {last} are"


def _told(row: Row) -> str:
    """When, where and what, fit for a terminal whatever was written into it."""
    text = row[5].decode(errors="replace")[: TEXT_SHOWN + 1]
    text = "".join(sign if sign.isprintable() else "?" for sign in text)
    more = "..." if len(text) > TEXT_SHOWN else ""
    machine = ascii(row[3].decode(errors="replace"))[1:-1]
    return f"{rfc3339(row[2])} {machine}: {text[:TEXT_SHOWN]}{more}"
