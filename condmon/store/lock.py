"""The lock on a data folder: one daemon writes it, and its pid stands in the file."""

import fcntl
import os
import time
from pathlib import Path
from typing import IO

from condmon.errors import CondmonError

NAME = "condmon.lock"
LOOKS = 5
BLINK_S = 0.05


class LockedError(CondmonError):
    """Another process has the folder."""


class Lock:
    """Held from construction until `release` or the end of the process, however it ends."""

    def __init__(self, folder: Path) -> None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            file: IO[str] = (folder / NAME).open("a+", encoding="ascii")
        except OSError as error:
            raise LockedError(
                f"cannot lock the data folder {folder}: {error.strerror}. Make the "
                "folder and give condmon the right to write there."
            ) from error
        try:
            _take(file)
        except OSError as error:
            pid = _pid_in(file)
            file.close()
            raise LockedError(
                f"another condmon (pid {pid or 'unknown'}) already works with "
                f"{folder}; two would disturb each other. Stop that one first, or "
                "give this one another folder and client_id."
            ) from error
        file.seek(0)
        file.truncate()
        file.write(f"{os.getpid()}\n")
        file.flush()
        self._file = file

    def release(self) -> None:
        """Let go of the folder."""
        self._file.close()


def holder(folder: Path) -> int | None:
    """Pid of the daemon that has the folder now, None when none has. Never raises."""
    try:
        with (folder / NAME).open("r", encoding="ascii") as file:
            try:
                fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
            except OSError:
                return _pid_in(file)
    except OSError:
        pass
    return None


def _take(file: IO[str]) -> None:
    """Lock at once or never; tried again shortly, for `holder` locks for a blink to look."""
    for _ in range(LOOKS):
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            time.sleep(BLINK_S)
        else:
            return
    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _pid_in(file: IO[str]) -> int | None:
    file.seek(0)
    text = file.read(32).strip()
    return int(text) if text.isdigit() else None
