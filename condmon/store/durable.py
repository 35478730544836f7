"""Files and folders that last: written beside their place, synced, renamed, the folder synced."""

import os
from collections.abc import Callable
from pathlib import Path

TMP = ".tmp"
Step = Callable[[str], None]
"""Called after everything that lasts; tests stop the work there."""


def nothing(_step: str) -> None:
    """No one is told of a step."""


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, durably."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    folder.mkdir(exist_ok=True)
    sync_folder(folder.parent)


def write_text(path: Path, text: str) -> None:
    """Put a small text in a file's place, whole or not at all."""
    tmp = path.with_name(path.name + TMP)
    tmp.write_text(text, encoding="utf-8")
    sync_file(tmp)
    tmp.replace(path)
    sync_folder(path.parent)


def remove(path: Path, step: Step = nothing) -> None:
    """Remove a file durably, if it is there."""
    path.unlink(missing_ok=True)
    step("removed")
    sync_folder(path.parent)


def sync_file(path: Path) -> None:
    """Let what is in a file reach the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(folder: Path) -> None:
    """Make names in a folder durable."""
    sync_file(folder)


def set_aside(path: Path, name: Callable[[int], str]) -> Path:
    """Move a file with its log to the first name that is free; the new path. Raises OSError.

    Parameters
    ----------
    path : Path
        A closed SQLite file.
    name : callable
        The name of the nth damaged one, n from 1.
    """
    number = 1
    while (aside := path.with_name(name(number))).exists():
        number += 1
    for ending in ("", "-wal", "-shm"):
        part = path.with_name(path.name + ending)
        if part.exists():
            part.rename(aside.with_name(aside.name + ending))
    return aside
