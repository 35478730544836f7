"""The disk of the simulated world, and the points at which a process may die.

Stands under every SQLite statement, every sync and every small file that is written whole.
"""

import os
import sqlite3
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Any

import pytest

from tests.sim.times import Times

FULL = "database or disk is full"
FAULTS = ("disk I/O error", FULL, "attempt to write a readonly database")
WRITES = {"INSERT", "UPDATE", "DELETE", "COMMIT", "CREATE"}


class Killed(BaseException):
    """The process is gone, between two steps; nothing of ours may catch it."""


class Disk:
    """Refuses for a while, fails one call, writes short, is slow; or the process dies at a call.

    `die_at` counts calls; half the deaths come after the call has done its work, which is the
    moment at which a commit is on the disk and nobody knows.
    """

    def __init__(self, rng: Random, times: Times, monkeypatch: pytest.MonkeyPatch) -> None:
        self.calls = 0
        self.refusing = ""
        self.slow_s = 0.0
        self.die_at = 0
        self.fail_at = 0
        self.fail_late = False
        self._rng, self._times = rng, times
        self._under_sqlite(monkeypatch)
        self._under_files(monkeypatch)

    def mend(self) -> None:
        """Do no harm any more."""
        self.refusing, self.slow_s, self.die_at, self.fail_at = "", 0.0, 0, 0
        self.fail_late = False

    def point(self, doing: Callable[[], Any], refuses: Callable[[], Exception] | None) -> Any:
        """Do one call, if it is done; `refuses` makes the error where the disk is asked to write.

        Raises Killed before or after it, or the error.
        """
        self.calls += 1
        late = False
        if self.die_at and self.calls >= self.die_at:
            self.die_at = 0
            late = self._rng.random() < 0.5
            if not late:
                raise Killed
        if refuses is not None:
            self._refuse(refuses)
        done = doing()
        if late:
            raise Killed
        return done

    def _refuse(self, refuses: Callable[[], Exception]) -> None:
        if self.fail_at and self.calls >= self.fail_at:
            self.fail_at, self.fail_late = 0, self._rng.random() < 0.5
            if not self.fail_late:
                raise refuses()
        if self.refusing:
            raise refuses()
        if self.slow_s:
            self._times.pass_s(self.slow_s)

    def _said(self) -> sqlite3.OperationalError:
        return sqlite3.OperationalError(self.refusing or self._rng.choice(FAULTS))

    def _under_sqlite(self, monkeypatch: pytest.MonkeyPatch) -> None:
        real, disk = sqlite3.connect, self

        class Connection(sqlite3.Connection):
            """Tells the disk of every statement."""

            def execute(self, sql: str, *values: Any) -> sqlite3.Cursor:
                def doing() -> sqlite3.Cursor:
                    done = super(Connection, self).execute(sql, *values)
                    if disk.fail_late and not self.in_transaction and one(sql):
                        disk.fail_late = False
                        raise disk._said()  # it is in the file, and the sync behind it failed
                    return done

                return disk.point(doing, one(sql))

            def executemany(self, sql: str, *values: Any) -> sqlite3.Cursor:
                return disk.point(
                    lambda: super(Connection, self).executemany(sql, *values), one(sql)
                )

        def one(sql: str) -> Callable[[], Exception] | None:
            writes = sql.lstrip()[:6].upper() in WRITES
            return disk._said if writes or disk.fail_at else None

        monkeypatch.setattr(
            sqlite3, "connect", lambda *a, **k: real(*a, **({"factory": Connection} | k))
        )

    def _under_files(self, monkeypatch: pytest.MonkeyPatch) -> None:
        sync, whole = os.fsync, Path.write_bytes
        disk = self

        def write_bytes(path: Path, content: bytes) -> int:
            try:
                return disk.point(lambda: whole(path, content), disk._os_error)
            except OSError:
                whole(path, content[: disk._rng.randint(0, len(content))])  # written short
                raise

        monkeypatch.setattr(os, "fsync", lambda fd: disk.point(lambda: sync(fd), disk._os_error))
        monkeypatch.setattr(Path, "write_bytes", write_bytes)

    def _os_error(self) -> OSError:
        number = self._rng.choice((5, 28, 30))  # EIO, ENOSPC, EROFS
        return OSError(number, os.strerror(number))


def power_cut(folder: Path, rng: Random, close: Callable[[], None]) -> None:
    """Leave the files as they are at this moment, whatever closing them would still write.

    What was under way may have got into the files in part: a torn piece at the end of a write-ahead
    log, half a line at the end of a text.
    """
    kept = {path: path.read_bytes() for path in folder.rglob("*")
            if path.is_file() and not path.name.endswith("-shm")}  # fmt: skip
    close()
    for path in [path for path in folder.rglob("*") if path.is_file()]:
        path.unlink()
    for path, content in kept.items():
        with path.open("wb") as file:
            file.write(content)
            if path.name.endswith("-wal") and rng.random() < 0.5:
                file.write(rng.randbytes(rng.randint(1, 5000)))
            if path.name == "sent.log" and rng.random() < 0.5:
                file.write(b'\n"cut sho')
