"""The pieces of work in which each call to the operating system fails once."""

import json
import sqlite3
import tarfile
import threading
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from condmon.config import load
from condmon.daemon.reload import Reload
from condmon.daemon.service import Service
from condmon.engine.decode import Arrived
from condmon.engine.outputs import Output
from condmon.engine.records import SECOND_US, Beacon, Link, Record, Samples
from condmon.errors import StoreError
from condmon.history.places import Places
from condmon.history.retention import Keep, prune
from condmon.history.seal import seal
from condmon.ledger.verify import verify
from condmon.store.journal import Journal, Route
from condmon.store.recorder import Recorder
from condmon.store.spool import Spool
from tests.daemons import HEAD, MILL
from tests.fakes import START_US, FakeClock
from tests.letters import NOW_US, alert, ended, entry, message
from tests.recorded import DAY_US, MONDAY_US, SIGNALS, STATES, Folder, one
from tests.shops import payload

OLDEST = Path(__file__).parent.parent / "old" / "first.tar.xz"


class Work:
    """One piece of work on a folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._open: list[Callable[[], object]] = []

    @classmethod
    def prepare(cls, base: Path) -> None:
        """Make the folder that every try begins with."""
        base.mkdir()

    def do(self) -> None:
        """The work; CondmonError or OSError when it has to be given up."""
        raise NotImplementedError

    def redo(self) -> None:
        """The next try."""
        self.do()

    def after(self, said: str) -> list[str]:
        """What is wrong after a failure; `said` is empty where the work went on in spite of it."""
        if said and "Traceback" in said:
            return [said]
        return [f"set aside: {path.name}" for path in self.folder.rglob("*.damaged*")]

    def close(self) -> None:
        """Leave nothing open, as the end of a process would."""
        while self._open:
            with suppress(Exception):
                self._open.pop()()

    def result(self) -> Any:
        """What must be the same whatever failed."""
        raise NotImplementedError


class Recording(Work):
    """Batches through the spool into the recorder, over midnight; what failed is tried again."""

    def do(self) -> None:
        clock = FakeClock(MONDAY_US + DAY_US - 3 * SECOND_US)
        recorder = Recorder(self.folder, SIGNALS, clock.now_us)
        self._open.append(recorder.close)
        spool = Spool(recorder, 100, clock.now_us, clock.monotonic_s, lambda _: None)
        self._safe: list[int] = []
        for n in range(6):
            clock.pass_s(1)
            batch: list[Record] = [one(0, clock.now_us(), float(n)), Beacon(clock.now_us())]
            self._safe += spool.append(batch, [n])
        spool.retry() or spool.retry()

    def redo(self) -> None:
        if self._values() == []:  # it could not even begin
            self.do()

    def after(self, said: str) -> list[str]:
        lost = set(getattr(self, "_safe", [])) - set(self._values())
        return super().after(said) + ([f"acknowledged and not recorded: {lost}"] if lost else [])

    def _values(self) -> list[float]:
        recorder = Recorder(self.folder, SIGNALS, lambda: MONDAY_US)
        records = [record for _, batch in recorder.read(0) for record in batch]
        recorder.close()
        return [v for r in records if isinstance(r, Samples) for v in r.value.tolist()]

    def result(self) -> Any:
        return self._values()


class Reading(Work):
    """All of a recording is read though one call fails."""

    @classmethod
    def prepare(cls, base: Path) -> None:
        folder = Folder(base)
        folder.day(MONDAY_US, every_s=7200)
        folder.day(MONDAY_US + DAY_US, every_s=7200)
        folder.recorder.close()

    def do(self) -> None:
        recorder = Recorder(self.folder, SIGNALS, lambda: MONDAY_US)
        self._open.append(recorder.close)
        self._found = [offset for offset, _ in recorder.read(0)]

    def after(self, said: str) -> list[str]:
        wrong = super().after(said)
        if not said and self._found != list(range(1, 25)):
            wrong.append(f"read {self._found} without a word")
        return wrong

    def result(self) -> Any:
        return self._found if hasattr(self, "_found") else list(range(1, 25))


TURNS: tuple[tuple[Output, ...], ...] = (
    (entry(1), alert(1), message(1)),
    (entry(2), entry(3)),
    (entry(4), ended(1), message(1, kind="ended")),
)


class Journalling(Work):
    """Three turns and a snapshot; what could not be written is written with the next turn."""

    def do(self) -> None:
        journal = Journal(self.folder)
        self._open.append(journal.close)
        unwritten: list[Output] = []
        for offset, outputs in enumerate((*TURNS, ()), 1):
            unwritten += outputs
            with suppress(StoreError):
                journal.write(unwritten, offset, (Route("phone", ("now",)),), NOW_US + offset)
                unwritten = []
        if unwritten:
            journal.write(unwritten, 5, (Route("phone", ("now",)),), NOW_US + 5)
        with suppress(StoreError):
            journal.keep_snapshot(b"state", 4)

    def result(self) -> Any:
        with closing(sqlite3.connect(self.folder / "journal.db")) as db:
            rows = [
                db.execute(f"SELECT {columns} FROM {table} ORDER BY 1").fetchall()
                for table, columns in (("entry", "seq, id, text"), ("alert", "id, revision, body"),
                                       ("message", "id, body"), ("delivery", "key, state"))
            ]  # fmt: skip
        return rows, verify(self.folder / "journal.db").whole


class Migrating(Work):
    """The journal of the oldest version is brought up to date."""

    @classmethod
    def prepare(cls, base: Path) -> None:
        with tarfile.open(OLDEST) as packed:
            packed.extractall(base, filter="data")

    def do(self) -> None:
        journal = Journal(self.folder / "store")
        self._open.append(journal.close)
        journal.write([entry(9)], 500, (), NOW_US)

    def result(self) -> Any:
        path = self.folder / "store" / "journal.db"
        with closing(sqlite3.connect(path)) as db:
            rows = db.execute("SELECT seq, id, text FROM entry ORDER BY seq").fetchall()
        return rows, verify(path).whole


class Sealing(Work):
    """A finished day becomes files."""

    @classmethod
    def prepare(cls, base: Path) -> None:
        folder = Folder(base)
        folder.day(MONDAY_US, every_s=28_800)
        folder.begin_day(MONDAY_US + DAY_US)
        folder.recorder.close()

    def do(self) -> None:
        seal(self.folder, STATES)

    def result(self) -> Any:
        root = self.folder / "history"
        files = {str(p.relative_to(root)): p.read_bytes() for p in root.rglob("*") if p.is_file()}
        return {name: hash(content) for name, content in sorted(files.items())}, [
            path.name for path in sorted(self.folder.glob("stream-*.db"))
        ]


class Removing(Work):
    """What is over its time goes."""

    @classmethod
    def prepare(cls, base: Path) -> None:
        folder = Folder(base)
        for number in range(4):
            folder.day(MONDAY_US + number * DAY_US, every_s=7200)
        folder.begin_day(MONDAY_US + 4 * DAY_US)
        seal(base, STATES)
        folder.snapshot()
        folder.recorder.close()

    def do(self) -> None:
        keep = Keep(2 * 86_400.0, 86_400.0)
        prune(self.folder, keep, MONDAY_US + 4 * DAY_US + SECOND_US)

    def after(self, said: str) -> list[str]:
        kept = Places(self.folder).days("hours")
        return super().after(said) + ([] if len(kept) == 4 else [f"hours left: {kept}"])

    def result(self) -> Any:
        names = [str(p.relative_to(self.folder)) for p in self.folder.rglob("*") if p.is_file()]
        return sorted(name for name in names if not name.endswith(("-wal", "-shm")))


CONFIG = HEAD.format(url="mqtt://127.0.0.1:1") + MILL


class Reloading(Work):
    """A changed file is taken or refused in words; an unchanged one changes nothing."""

    @classmethod
    def prepare(cls, base: Path) -> None:
        base.mkdir()
        (base / "condmon.toml").write_text(CONFIG)

    def do(self) -> None:
        path, stop = self.folder / "condmon.toml", threading.Event()
        self._told: list[str] = []
        reload = Reload(path, stop, self._told.append)
        reload.look()
        self._idle = reload.wanted and reload._text is not None
        changed = self.folder.with_name("changed.toml")
        changed.write_text(CONFIG.replace("bearing > 50", "bearing > 55"))
        changed.replace(path)
        reload.look()
        self._taken = reload.wanted

    def after(self, said: str) -> list[str]:
        wrong = ["an unchanged file was taken"] if self._idle else []
        if not self._taken and not any("the old one goes on" in told for told in self._told):
            wrong.append("refused without a word")
        return wrong

    def redo(self) -> None:
        (self.folder / "condmon.toml").write_text(CONFIG)
        self.do()

    def result(self) -> Any:
        return self._idle, self._taken


class Starting(Work):
    """The daemon comes up with a changed configuration, takes in a heat, and leaves."""

    @classmethod
    def prepare(cls, base: Path) -> None:
        base.mkdir()
        (base / "condmon.toml").write_text(CONFIG)
        before = cls(base)
        before._live(START_US, range(1, 5), 40.0)
        (base / "condmon.toml").write_text(CONFIG.replace("bearing > 50", "bearing > 55"))

    def do(self) -> None:
        self._live(START_US + 30 * SECOND_US, range(5, 15), 60.0)

    def _live(self, at_us: int, numbers: range, value: float) -> None:
        clock = FakeClock(at_us)
        service = Service(load(self.folder / "condmon.toml"), clock)
        self._open += [service._lock.release, service.journal.close, service.recorder.close,
                       service._outbox.close]  # fmt: skip
        for part in (service._outbox_thread, service._asked, service._jobs, service._mirror):
            part.start = lambda: None  # type: ignore[method-assign]
        service.mqtt.start = lambda: None  # type: ignore[method-assign]
        service.start()
        service.inbox.put_action(Link(clock.now_us(), True))
        for n in numbers:
            clock.pass_s(1)
            body = payload(clock.now_us(), value, n)
            service.inbox.put([Arrived(clock.now_us(), "pier/mill-1/bearing", body)])
            service.step()
        for _ in range(3):  # nothing fails any more: what waits is written
            clock.pass_s(1)
            service.step()
        service._keep_snapshot()
        service.stop()

    def redo(self) -> None:
        if sorted(self._numbers()) != list(range(1, 15)):
            self.do()

    def close(self) -> None:
        super().close()

    def _numbers(self) -> set[int]:
        settings = load(self.folder / "condmon.toml").settings
        recorder = Recorder(self.folder / "store", settings.signals, lambda: START_US)
        records = [record for _, batch in recorder.read(0) for record in batch]
        recorder.close()
        return {int(n) for r in records if isinstance(r, Samples)
                for n in r.value[r.signal == 1].tolist()}  # fmt: skip

    def result(self) -> Any:
        with closing(sqlite3.connect(self.folder / "store" / "journal.db")) as db:
            found = [json.loads(body) for (body,) in db.execute("SELECT body FROM alert")]
        checks = sorted({one["check"] for one in found if one["machine"] == "mill-1"})
        return sorted(self._numbers()), checks, verify(self.folder / "store" / "journal.db").whole


WORKS: dict[str, type[Work]] = {
    made.__name__: made
    for made in (Recording, Reading, Journalling, Migrating, Sealing, Removing, Reloading, Starting)
}
