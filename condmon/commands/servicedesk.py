"""The service book from the command line: read as it stands now, and written through the daemon.

The book is part of the engine's state, so it is read as a restart would read it: the last snapshot
and the recordings after it. What is filed goes to the running daemon as a record; the answer is
what the log says of it.
"""

import json
import threading
from collections.abc import Sequence
from typing import Any, NamedTuple

from condmon.clock import Clock
from condmon.commands.owner import become_owner_of
from condmon.commands.users import who_asks
from condmon.config import Config
from condmon.daemon.asked import ask
from condmon.engine.engine import Engine
from condmon.engine.outputs import Entry
from condmon.engine.records import Filed
from condmon.engine.servicebook.book import ServiceBook
from condmon.engine.servicebook.life import Counts
from condmon.engine.settings import Settings
from condmon.engine.snapshot import SnapshotError, made_under
from condmon.errors import CondmonError, UsageError
from condmon.store.journal import Reader
from condmon.store.lock import holder
from condmon.store.recorder import Recorder

ANSWER_S = 15.0
LOOK_S = 0.1
ENTRIES_LOOKED_AT = 400


class Filing(NamedTuple):
    """What is to be filed; see `Filed`."""

    machine: str
    what: str
    key: str
    content: dict[str, Any]


class Desk:
    """The book of a data folder at this moment. Raises StoreError, CondmonError."""

    def __init__(self, config: Config) -> None:
        become_owner_of(config.store.path)
        self.config = config
        self.now_us = Clock().now_us()
        self.by = who_asks()
        self.engine = engine_of(config)
        self.book: ServiceBook = self.engine.servicebook
        self.counts: dict[str, Counts] = self.engine.counts()

    @property
    def settings(self) -> Settings:
        """Machines and calendar."""
        return self.config.settings

    def machine(self, name: str) -> str:
        """The id of a machine of the configuration. Raises UsageError."""
        known = {machine.id for machine in self.settings.machines}
        if name not in known:
            raise UsageError(f'There is no machine "{name}"; known are {", ".join(sorted(known))}.')
        return name

    def file(self, machine: str, what: str, key: str, **content: Any) -> Entry:
        """File one thing and give its line in the log. Raises CondmonError where it is refused."""
        return self.file_all([Filing(machine, what, key, content)])[0]

    def file_all(self, filings: Sequence[Filing]) -> list[Entry]:
        """File several things in their order; the lines the log has of them.

        Each is tried on this copy of the book first, so that what does not fit is refused before
        anything is asked of the daemon.
        """
        records = [
            Filed(self.now_us + i, one.machine, one.what, self.by, one.key, _json(one.content))
            for i, one in enumerate(filings)
        ]
        machines = {machine.id: machine.name for machine in self.settings.machines}
        for record in records:
            told = self.book.take(record, machines, self.counts)
            if told.refused:
                raise UsageError(f"{told.entry.text}. Nothing was filed.")
        self.now_us += len(records)
        if holder(self.config.store.path) is None:
            raise CondmonError(
                "The daemon does not run, so nothing was filed. Start it: the service book is "
                "written down by it."
            )
        for record in records:
            ask(self.config.store.path, record)
        return self._answers(records)

    def _answers(self, records: Sequence[Filed]) -> list[Entry]:
        """Wait for the lines of the log. Raises CondmonError."""
        pause = threading.Event()
        wanted = [(r.at_us, r.what, r.by, r.key) for r in records]
        with Reader(self.config.store.path) as reader:
            for _ in range(round(ANSWER_S / LOOK_S)):
                last = ENTRIES_LOOKED_AT + len(records)
                found = {
                    (e.at_us, e.facts["what"], e.facts["by"], e.facts["key"]): e
                    for e in reader.entries(last, kind="service")
                }
                if all(name in found for name in wanted):
                    return [_accepted(found[name]) for name in wanted]
                pause.wait(LOOK_S)
        raise CondmonError(
            f"The daemon has not written it down within {ANSWER_S:.0f} s; it may still do so. "
            "Look at `condmon log show` and `condmon status`."
        )


def engine_of(config: Config) -> Engine:
    """The engine as a daemon of this folder has it, give or take its last seconds.

    Raises StoreError without a journal, CondmonError where the configuration has changed since.
    """
    settings, folder = config.settings, config.store.path
    with Reader(folder) as reader:
        newest = reader.last_snapshot()
    engine, after = Engine(settings), 0
    if newest:
        blob, after = newest
        try:
            engine = Engine.restore(settings, blob)
        except SnapshotError as error:
            changed = made_under(blob) not in {None, settings.digest}
            raise CondmonError(
                "The service book cannot be read: "
                + ("the configuration was changed since the daemon last started. "
                   if changed else f"{error}. ")
                + "Restart the daemon and try again; nothing is lost."
            ) from error  # fmt: skip
    recorder = Recorder(folder, settings.signals, Clock().now_us)
    for _, records in recorder.read(after):
        engine.push(records)
    return engine


def _accepted(entry: Entry) -> Entry:
    if entry.facts.get("refused"):
        raise CondmonError(f"{entry.text}. The book has changed meanwhile; look at it again.")
    return entry


def _json(content: dict[str, Any]) -> str:
    return json.dumps(content, ensure_ascii=False, separators=(",", ":"))
