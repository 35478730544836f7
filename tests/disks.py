"""Real file systems of their own, small enough to be filled; they need root, as a container has."""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture(scope="module")
def small_disk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A file system of 256 MB for the tests of one module."""
    yield from mounted(tmp_path_factory.mktemp("disk"), 256)


def mounted(folder: Path, size_mb: int) -> Iterator[Path]:
    """A file system in memory, in a folder of its own; skips where none can be mounted."""
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size_mb}m", "tmpfs", str(folder)],
                          capture_output=True, check=False)  # fmt: skip
    if made.returncode:
        pytest.skip(f"no file system can be mounted here: {made.stderr.decode().strip()}")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


class Card:
    """A journalling file system in a file, as on a memory card, that can fail as such a card does.

    Raises OSError where no file system can be made or mounted.
    """

    def __init__(self, folder: Path) -> None:
        self.folder, self._image = folder / "card", folder / "image"
        self.folder.mkdir()
        with self._image.open("wb") as file:
            file.truncate(64 << 20)
        _done("mkfs.ext4", "-q", str(self._image))
        self._mount()

    def fail(self) -> None:
        """What the kernel does when the card gives errors: from now on it can only be read."""
        _done("mount", "-o", "remount,abort", str(self.folder))

    def renew(self) -> None:
        """What a person does: check it, and mount it again; who had files open there keeps them."""
        self.close()
        subprocess.run(["e2fsck", "-fy", str(self._image)], capture_output=True, check=False)
        self._mount()

    def close(self) -> None:
        _done("umount", "-l", str(self.folder))

    def _mount(self) -> None:
        _done("mount", "-o", "loop", str(self._image), str(self.folder))


def _done(*words: str) -> None:
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode:
        raise OSError(f"{words[0]}: {done.stderr.strip()}")


@pytest.fixture
def card(tmp_path: Path) -> Iterator[Card]:
    """A memory card."""
    try:
        made = Card(tmp_path)
    except OSError as error:
        pytest.skip(f"no file system can be made and mounted here: {error}")
    yield made
    made.close()
