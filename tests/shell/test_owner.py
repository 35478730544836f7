"""What root runs leaves nothing behind that the daemon's user could not use, and judges as it."""

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from condmon.commands.owner import give_to_owner_of
from tests.daemons import HEAD, MILL

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="root alone can act for another user")
UID, GID = 12_345, 12_346  # nobody has them
MAIL = """
[[send.email]]
host = "127.0.0.1"
username = "condmon"
password_file = "mail.password"
sender = "condmon@pier.example"
to = ["owner@pier.example"]
"""


@pytest.fixture
def folder():
    """A folder that any user can reach, unlike those of pytest, with a data folder of another's."""
    with tempfile.TemporaryDirectory() as made:
        path = Path(made)
        path.chmod(0o755)
        (path / "condmon.toml").write_text(HEAD.format(url="mqtt://127.0.0.1:1") + MILL)
        owned(path / "store")
        yield path


def owned(path: Path) -> Path:
    path.mkdir(exist_ok=True)
    os.chown(path, UID, GID)
    return path


def condmon(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "condmon", *words, "-c", str(folder / "condmon.toml")]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def owners(folder: Path) -> set[tuple[int, int]]:
    found = [path.stat() for path in folder.rglob("*")]
    return {(one.st_uid, one.st_gid) for one in found}


def lived(folder: Path) -> None:
    for name in ("journal.txt", "history/samples/2026-11-24/mill-1.parquet"):
        path = folder / "store" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(name)


def test_backup_and_restore_by_root_give_their_files_to_the_daemons_user(folder):
    lived(folder)
    copies = owned(folder / "backups")
    assert 0 == condmon(folder, "backup", str(copies)).returncode
    assert {(UID, GID)} == owners(copies)
    shutil.rmtree(folder / "store")
    owned(folder / "store")
    done = condmon(folder, "restore", str(copies))
    assert 0 == done.returncode, done.stderr
    assert f"belong to user {UID}" in done.stdout
    assert {(UID, GID)} == owners(folder / "store")
    assert (folder / "store/history/samples/2026-11-24/mill-1.parquet").exists()


def test_a_file_of_roots_with_another_name_elsewhere_is_not_given_away(folder):
    mine = folder / "mine"
    mine.touch()
    os.link(mine, folder / "store" / "linked")
    (folder / "store" / "pointing").symlink_to(mine)
    give_to_owner_of(folder / "store")
    assert 0 == mine.stat().st_uid
    assert UID == (folder / "store" / "pointing").lstat().st_uid


def test_check_by_root_names_a_secret_that_the_daemon_could_not_read(folder):
    config, secret = folder / "condmon.toml", folder / "mail.password"
    config.write_text(config.read_text() + MAIL)
    secret.touch(mode=0o600)
    secret.write_text("swordfish")
    done = condmon(folder, "check")
    assert 2 == done.returncode
    assert "mail.password cannot be read: Permission denied; " in done.stderr
    os.chown(secret, UID, GID)
    done = condmon(folder, "check")
    assert 0 == done.returncode, done.stderr
