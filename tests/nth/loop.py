"""Fails the nth call to the operating system in one piece of work, for n = 1, 2, 3, ...

python -m tests.nth.loop LIBRARY FOLDER ERROR EVERY WORK...     with the library in LD_PRELOAD

The loop ends when n is past the last call. After each failure the work is done again without one
and must end as if nothing had been. EVERY 1 fails each call, 5 each fifth. Prints a JSON line for
each work: how many calls, what was wrong.
"""

import ctypes
import errno
import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import structlog

from condmon.daemon import rhythm
from condmon.errors import CondmonError
from condmon.store import recorder
from tests.nth.works import WORKS, Work

ERRORS = {"EIO": (errno.EIO, 0), "ENOSPC": (errno.ENOSPC, 0), "short": (errno.ENOSPC, 1)}
CALLS_MAX = 5000


class Calls:
    """The library that counts and fails calls."""

    def __init__(self, library: str) -> None:
        self._library = ctypes.CDLL(library)
        self._library.nth_failed.restype = ctypes.c_char_p

    def during(self, folder: Path, n: int, error: str, work: Callable[[], Any]) -> str:
        """Do the work with its nth call failing; what it said when it gave up, or nothing."""
        number, cut = ERRORS[error]
        said = ""
        self._library.nth_arm(str(folder).encode(), ctypes.c_long(n), number, cut)
        try:
            work()
        except (CondmonError, OSError) as refused:
            said = str(refused)
        finally:
            self._library.nth_calls()
        return said

    def failed(self) -> str:
        """Which call it was."""
        return str(self._library.nth_failed().decode())


def run(calls: Calls, made: type[Work], error: str, every: int, root: Path) -> dict[str, Any]:
    """The whole loop over one piece of work."""
    root.mkdir()
    base = root / "base"
    made.prepare(base)
    whole = root / "whole"
    shutil.copytree(base, whole)
    reference = made(whole)
    reference.do()
    reference.close()
    wanted = reference.result()
    wrong: list[str] = []
    for n in range(1, CALLS_MAX, every):
        folder = root / f"n{n}"
        shutil.copytree(base, folder)
        work = made(folder)
        try:
            said = calls.during(folder, n, error, work.do)
            if not calls.failed():
                work.close()
                return {"work": made.__name__, "error": error, "calls": n - 1, "wrong": wrong}
            what = f"{error} at call {n}, {calls.failed().replace(str(folder), '')}"
            wrong += [f"{what}: {one}" for one in work.after(said)]
            work.close()
            again = made(folder)
            again.redo()
            again.close()
            if again.result() != wanted:
                wrong.append(f"{what}: another result: {again.result()} for {wanted}"[:1500])
        except Exception as fault:  # noqa: BLE001 - told with its place, the loop goes on
            wrong.append(f"{error} at call {n}, {calls.failed()}: {type(fault).__name__} {fault}")
        shutil.rmtree(folder)
    raise AssertionError(f"more than {CALLS_MAX} calls")


if __name__ == "__main__":
    library, folder, error, every, *names = sys.argv[1:]
    recorder.READ_PAUSE_S = rhythm.TURN_S = 0.0  # in this process, which is the loop's own
    for name in names:
        with structlog.testing.capture_logs():
            found = run(Calls(library), WORKS[name], error, int(every), Path(folder) / name)
        print(json.dumps(found), flush=True)
