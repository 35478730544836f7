"""One weighing of other figures at a time, in a child process that gives way to everything else."""

import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import orjson

LIMIT_S = 6 * 3600.0
LINE_MAX = 100_000
ROWS_MAX = 2_000


class Weighed(NamedTuple):
    """What was asked, how far it is or what came of it; `rows` are those of `condmon whatif`."""

    title: str
    part: float  # 0 to 1
    done: bool
    rows: tuple[dict[str, Any], ...] = ()
    trouble: str = ""


class Weighing:
    """Starts the child, reads what it says, and ends it when the page ends."""

    def __init__(self) -> None:
        self._turn = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None
        self._last: Weighed | None = None

    @property
    def last(self) -> Weighed | None:
        """The weighing under way, or the last one."""
        return self._last

    def start(self, title: str, config: Path, words: Sequence[str]) -> bool:
        """Begin one; False while another is under way."""
        with self._turn:
            if self._last is not None and not self._last.done:
                return False
            command = [sys.executable, "-m", "condmon", "whatif", "-c", str(config), "--json",
                       "--progress", *words]  # fmt: skip
            self._process = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE
            )
            self._last = Weighed(title, 0.0, False)
        threading.Thread(target=self._read, args=(self._process,), daemon=True).start()
        return True

    def stop(self) -> None:
        """End a child that is under way."""
        with self._turn:
            if self._process is not None and self._process.poll() is None:
                self._process.kill()

    def _read(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stdout is not None
        assert process.stderr is not None
        last = self._last
        assert last is not None
        alarm = threading.Timer(LIMIT_S, process.kill)
        alarm.daemon = True
        alarm.start()
        rows: list[dict[str, Any]] = []
        with process:
            while line := process.stdout.readline(LINE_MAX):
                row = _row(line)
                if row.get("kind") == "progress":
                    self._last = last._replace(part=float(row["part"]))
                elif row and len(rows) < ROWS_MAX:
                    rows.append(row)
            said = process.stderr.read(LINE_MAX).decode(errors="replace").strip().splitlines()
        alarm.cancel()
        trouble = ""
        if process.returncode:
            trouble = said[-1].removeprefix("condmon: ") if said else "it was stopped"
        self._last = last._replace(part=1.0, done=True, rows=tuple(rows), trouble=trouble)


def _row(line: bytes) -> dict[str, Any]:
    try:
        found = orjson.loads(line)
    except orjson.JSONDecodeError:
        return {}
    return found if isinstance(found, dict) else {}
