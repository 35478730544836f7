"""Carrying the book and the counters over where the engine begins anew. Pure.

A changed configuration or a lost snapshot must not set a life back to zero. What is carried goes
into the recording as a record of its own, so that a replay from there knows it too.
"""

import json
from collections.abc import Iterable
from dataclasses import replace
from typing import Any, NamedTuple

from condmon.engine.ids import short_id
from condmon.engine.outputs import Entry
from condmon.engine.records import Filed
from condmon.engine.servicebook.book import ServiceBook, entry_of
from condmon.engine.servicebook.life import Counts

CARRIED = "carried"
CARRIED_MAX = 20_000_000
"""Characters; a full book of thousands of components stays well below."""


class Cargo(NamedTuple):
    """What outlives a new beginning."""

    book: dict[str, Any]  # ServiceBook.state()
    counts: dict[str, Counts]  # by machine
    days: dict[str, list[list[Any]]]  # by machine: counters at each day's first hour

    def empty(self) -> bool:
        """Whether there is nothing to carry."""
        return not any(self.counts.values()) and self.book == ServiceBook().state()

    def filed(self, at_us: int) -> Filed:
        """The record that carries it."""
        return Filed(at_us, "", CARRIED, "condmon", "book", json.dumps(self._asdict()))


def cargo_of(filed: Filed) -> tuple[Cargo | None, str]:
    """What a record carries, or why it cannot be taken up."""
    if len(filed.content) > CARRIED_MAX:
        return None, "it is too large"
    try:
        found = json.loads(filed.content)
        return _sound(Cargo(found["book"], found["counts"], found["days"])), ""
    except (ValueError, KeyError, TypeError, AttributeError, IndexError, RecursionError):
        return None, "it cannot be read"


def entry_of_cargo(filed: Filed, refused: str) -> Entry:
    """The line of the log about a record that carries; what it carries is too long for it."""
    text = "service book and counters are carried over from before"
    if refused:
        text = f"carrying over the service book was refused: {refused}"
    short = replace(filed, content=json.dumps({"digest": short_id(filed.content)}))
    return entry_of(short, text, {}, refused=bool(refused))


def from_snapshot(blob: bytes) -> Cargo | None:
    """What a snapshot of any configuration holds; None where it cannot be read."""
    try:
        state = json.loads(blob)["state"]
        watches = state["watches"].items()
        counts = {name: saved["usage"]["counts"] for name, saved in watches}
        days = {name: saved["due"]["days"] for name, saved in watches}
        return _sound(Cargo(state["servicebook"], counts, days))
    except (ValueError, KeyError, TypeError, AttributeError, IndexError, RecursionError):
        return None


def from_entries(entries: Iterable[Entry], before_us: int) -> Cargo:
    """The book out of the log's own lines of before an instant, oldest first.

    The counters are those of each machine's last line: what was counted after it is not known.
    """
    book = ServiceBook()
    counts: dict[str, Counts] = {}
    for entry in entries:
        if entry.at_us >= before_us or entry.facts.get("refused"):
            continue
        facts = {name: str(value) for name, value in entry.facts.items()}
        here = json.loads(facts["counts"])
        if here:
            counts[entry.machine] = here
        if entry.kind == "service" and facts["what"] != CARRIED:
            filed = Filed(entry.at_us, facts["filed_for"], facts["what"], facts["by"],
                          facts["key"], facts["content"])  # fmt: skip
            book.take(filed, {filed.machine: filed.machine}, counts)
    return Cargo(book.state(), counts, {})


def _sound(cargo: Cargo) -> Cargo:
    """The same, once it has been shown to load. Raises KeyError, TypeError."""
    ServiceBook().load(json.loads(json.dumps(cargo.book)))
    for counts in cargo.counts.values():
        if not all(isinstance(amount, int) for amount in counts.values()):
            raise TypeError("counters are whole numbers")
    return cargo
