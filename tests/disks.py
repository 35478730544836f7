"""Real file systems of their own, small enough to be filled; they need root, as a container has."""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture(scope="module")
def small_disk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A file system of 256 MB for the tests of one module."""
    yield from _mounted(tmp_path_factory.mktemp("disk"))


def _mounted(folder: Path) -> Iterator[Path]:
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256m", "tmpfs", str(folder)],
                          capture_output=True, check=False)  # fmt: skip
    if made.returncode:
        pytest.skip(f"no file system can be mounted here: {made.stderr.decode().strip()}")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def remount(folder: Path, how: str) -> bool:
    """Make it `ro` or `rw`; False where something still writes there."""
    done = subprocess.run(["mount", "-o", f"remount,{how}", str(folder)],
                          capture_output=True, check=False)  # fmt: skip
    return done.returncode == 0
