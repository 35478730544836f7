"""The service book for the pages: a copy that the turn puts here and pages read in their threads.

The turn copies the book only when something was written into it; the counters are copied with every
view, for a life goes on while nobody writes.
"""

import threading
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import orjson

from condmon.engine.engine import Engine
from condmon.engine.outputs import Entry, Output
from condmon.engine.servicebook.book import ServiceBook
from condmon.engine.servicebook.life import Counts


class Shelved(NamedTuple):
    """The book and what goes with it, as of one moment; to be read only."""

    book: ServiceBook
    counts: Mapping[str, Counts]  # machine -> its counters
    days: Mapping[str, list[list[Any]]]  # machine -> counters at each day's first hour
    now_us: int


class Shelf:
    """Holds one copy of the book."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._written = threading.Event()
        self._written.set()
        self._state = b""
        self._book, self._made_of = ServiceBook(), b""
        self._rest: tuple[dict[str, Counts], dict[str, list[list[Any]]], int] = ({}, {}, 0)

    # the turn's side

    def note(self, outputs: Sequence[Output]) -> bool:
        """Take note of whether the book was written into."""
        if any(isinstance(one, Entry) and one.kind == "service" for one in outputs):
            self._written.set()
        return self._written.is_set()

    def put(self, engine: Engine) -> None:
        """Copy what has changed."""
        if self._written.is_set():
            self._written.clear()
            self._state = orjson.dumps(engine.servicebook.state())
        days = {watch.machine.id: list(watch.due.days) for watch in engine.watches[:-1]}
        self._rest = (engine.counts(), days, engine.now_us)

    # the page's side

    def read(self) -> Shelved:
        """The book as it was put last; empty before that."""
        state = self._state
        with self._lock:
            if state and state is not self._made_of:
                book = ServiceBook()
                book.load(orjson.loads(state))
                self._book, self._made_of = book, state
            return Shelved(self._book, *self._rest)
