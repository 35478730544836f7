"""The nightly work on the history, done in a process of its own that ends with it.

So that what reads and writes tables never lives in the daemon, and sealing a day takes neither its
memory nor its turn. The process gets its orders as JSON on standard input and answers in JSON
lines; whatever stops it, the next night simply goes on.
"""

import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import orjson

from condmon import log
from condmon.clock import Clock
from condmon.config.shape import Store
from condmon.engine.settings import Signal
from condmon.errors import CondmonError
from condmon.history import retention
from condmon.history.retention import Keep
from condmon.history.seal import pending, seal
from condmon.history.store import states_of
from condmon.jobs import Jobs
from condmon.memory import peak_mb

NICE = 15
LIMIT_S = 4 * 3600.0
_log = log.get("history")


class Nightly:
    """Has the work done for a daemon.

    Parameters
    ----------
    store : Store
        Where things are and how long they are kept.
    signals : sequence of Signal
        The present signals.
    clock : Clock
        The time by which things grow old.
    note : callable
        Takes a sentence for the machine event log when something was removed.
    mirrored : callable
        The offset up to which every mirror has the recordings, None where there is no mirror.
    """

    def __init__(
        self,
        store: Store,
        signals: Sequence[Signal],
        clock: Clock,
        note: Callable[[str], None],
        mirrored: Callable[[], int | None] = lambda: None,
    ) -> None:
        self._store, self._clock, self._note, self._mirrored = store, clock, note, mirrored
        self._repeats = log.Repeats(_log, clock.monotonic_s)
        self._states = sorted(states_of(signals))
        self._process: subprocess.Popen[bytes] | None = None
        self._turn = threading.Lock()
        self._stopped = False

    def start(self, jobs: Jobs) -> None:
        """Look at the disk now and every hour; work at night, and where a night was missed."""
        jobs.hourly("disk space", self._look_at_disk, minute=17)
        may_take_s = LIMIT_S + 600.0
        jobs.daily("history", self.run, hour=0, minute=20, may_take_s=may_take_s)
        jobs.hourly("history left over", self.run_if_pending, minute=41, may_take_s=may_take_s)
        self._look_at_disk()

    def run(self) -> None:
        """Do all there is to do; returns when it is done or `stop` was called."""
        with self._turn:
            if self._stopped:
                return
            words = [sys.executable, "-m", "condmon.history"]
            self._process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
        try:
            answer, _ = self._process.communicate(orjson.dumps(self._orders()), LIMIT_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            answer, _ = self._process.communicate()
        for line in answer.splitlines():
            self._hear(line)
        if self._process.returncode and not self._stopped:
            _log.error(
                "the history was not finished",
                exit_code=self._process.returncode,
                meaning="nothing is lost: recordings stay until they are sealed; tried again "
                "within the hour",
            )

    def run_if_pending(self) -> None:
        """Do what an earlier run left, or what a downtime kept from being done."""
        if pending(self._store.path):
            self.run()

    def stop(self) -> None:
        """End a running process; it can be ended anywhere."""
        with self._turn:
            self._stopped = True
            if self._process is not None and self._process.poll() is None:
                self._process.kill()

    def _look_at_disk(self) -> None:
        free_mb = shutil.disk_usage(self._store.path).free // 1_000_000
        if free_mb < self._store.disk_min_mb:
            self._repeats.tell(
                "error",
                "disk space is short",
                free_mb=free_mb,
                wanted_mb=self._store.disk_min_mb,
                meaning="when it is full, records are kept in memory only",
            )
        else:
            self._repeats.over("disk space is short")

    def _orders(self) -> dict[str, Any]:
        store = self._store
        return {
            "folder": str(store.path),
            "states": self._states,
            "now_us": self._clock.now_us(),
            "keep_s": store.keep_s,
            "keep_recordings_s": store.keep_recordings_s,
            "disk_max_mb": store.disk_max_mb,
            "mirrored": self._mirrored(),
        }

    def _hear(self, line: bytes) -> None:
        told = orjson.loads(line)
        event = told.pop("event")
        if event == "removed":
            self._note(told["text"])
        elif "error" in told:
            _log.error(event, **told)
        else:
            _log.info(event, **told)


def work(orders: dict[str, Any]) -> int:
    """Seal and remove as ordered, in this process; 0 done, 1 something could not be done."""
    os.nice(NICE)
    folder = Path(orders["folder"])
    keep = Keep(
        orders["keep_s"], orders["keep_recordings_s"], orders["disk_max_mb"], orders["mirrored"]
    )
    code = 0
    try:
        for done in seal(folder, frozenset((m, s) for m, s in orders["states"])):
            _tell("recording sealed", recording=done.recording, samples=done.rows, days=done.days)
    except (OSError, CondmonError) as error:
        code = _refused("days cannot be sealed", folder, error)
    try:
        gone = retention.prune(folder, keep, orders["now_us"])
    except (OSError, CondmonError) as error:
        return _refused("what is old cannot be removed", folder, error)
    if gone:
        _tell("removed", text=retention.summary(gone))
    if keep.disk_max_mb and (used := retention.used(folder)) > keep.disk_max_mb * retention.MB:
        _tell(
            "the disk budget is passed",
            error=f"{used // retention.MB} MB are used, {keep.disk_max_mb} MB are allowed, and "
            "nothing more may go; allow more in [store] disk_max_mb",
        )
    if not code:
        _tell("history is up to date", peak_mb=peak_mb())
    return code


def _refused(event: str, folder: Path, error: Exception) -> int:
    text = str(error) if isinstance(error, CondmonError) else (
        f"{folder}: {error}. Make room or give condmon the right to write there; recordings stay "
        "until they are sealed."
    )  # fmt: skip
    _tell(event, error=text)
    return 1


def _tell(event: str, **facts: object) -> None:
    sys.stdout.buffer.write(
        orjson.dumps({"event": event, **facts}, option=orjson.OPT_APPEND_NEWLINE)
    )
    sys.stdout.buffer.flush()
