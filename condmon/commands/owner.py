"""Commands that root runs on what belongs to the daemon's user: nothing may get into its way.

The daemon's user is the owner of the data folder.
"""

import contextlib
import os
import pwd
from collections.abc import Iterator
from pathlib import Path

from condmon.errors import StoreError


def become_owner_of(folder: Path) -> None:
    """Where root runs this: leave no file in the folder that condmon's user could not write."""
    if os.geteuid() != 0:
        return
    try:
        stat = folder.stat()
    except FileNotFoundError:
        return
    except OSError as error:
        raise StoreError(f"{folder}: cannot be used: {error.strerror}.") from error
    with contextlib.suppress(PermissionError):  # where even root may not
        os.setgroups(_groups(stat.st_uid, stat.st_gid))
    os.setegid(stat.st_gid)
    os.seteuid(stat.st_uid)


@contextlib.contextmanager
def as_owner_of(folder: Path) -> Iterator[None]:
    """See files as the daemon would, where root runs this, and be root again afterwards."""
    if os.geteuid() != 0:
        yield
        return
    before = os.getgroups(), os.getegid()
    try:
        become_owner_of(folder)
        yield
    finally:
        os.seteuid(0)
        os.setegid(before[1])
        with contextlib.suppress(PermissionError):
            os.setgroups(before[0])


def give_to_owner_of(folder: Path) -> None:
    """Where root runs this: what it made in a folder belongs to the folder's owner. OSError."""
    if os.geteuid() != 0:
        return
    owner = folder.stat()
    for path in folder.rglob("*"):
        found = path.lstat()
        other_name = found.st_nlink > 1 and not path.is_dir()  # not a file of root's elsewhere
        if found.st_uid == 0 and owner.st_uid != 0 and not other_name:
            os.chown(path, owner.st_uid, owner.st_gid, follow_symlinks=False)


def _groups(uid: int, gid: int) -> list[int]:
    """All groups of a user: a key may be open to one of them."""
    try:
        return os.getgrouplist(pwd.getpwuid(uid).pw_name, gid)
    except KeyError:  # nobody's name
        return [gid]


def owner_of(folder: Path) -> str:
    """The owner's name, or number where it has none."""
    uid = folder.stat().st_uid
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return f"user {uid}"
