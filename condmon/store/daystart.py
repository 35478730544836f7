"""The engine's state at the first snapshot of every day, so that a day can be replayed as it was.

`starts/DATE.start` in the data folder. Only a short cut: a lost one costs exactness of a later
comparison, never the watch.
"""

import hashlib
import zlib
from pathlib import Path
from typing import NamedTuple

from condmon import log
from condmon.clock import rfc3339

FOLDER = "starts"
KEPT_MAX = 35
_MAGIC = b"CMS1"
_log = log.get("daystart")


class Start(NamedTuple):
    """A snapshot: the recording's offset it stands at, the engine's time then."""

    offset: int
    at_us: int
    blob: bytes


def keep(folder: Path, blob: bytes, offset: int, at_us: int) -> None:
    """Keep a snapshot if it is the first of its day (UTC); a disk that refuses is named once."""
    path = folder / FOLDER / f"{rfc3339(at_us)[:10]}.start"
    if not at_us or path.exists():
        return
    head = f"{offset} {at_us}\n".encode()
    body = head + zlib.compress(blob, 3)
    try:
        path.parent.mkdir(mode=0o770, exist_ok=True)
        new = path.with_suffix(".tmp")
        new.write_bytes(_MAGIC + hashlib.sha256(body).digest() + body)
        new.replace(path)
        for old in sorted(path.parent.glob("*.start"))[:-KEPT_MAX]:
            old.unlink()
    except OSError as error:
        _log.warning("no start of the day was kept", error=error,
                     meaning="this day cannot be compared to the byte later")  # fmt: skip


def starts(folder: Path) -> list[Start]:
    """What is kept and whole, oldest first."""
    found = []
    for path in sorted((folder / FOLDER).glob("*.start")):
        try:
            content = path.read_bytes()
            digest, body = content[4:36], content[36:]
            if content[:4] != _MAGIC or hashlib.sha256(body).digest() != digest:
                continue
            head, _, packed = body.partition(b"\n")
            offset, at_us = map(int, head.split())
            found.append(Start(offset, at_us, zlib.decompress(packed)))
        except (OSError, ValueError, zlib.error):
            continue
    return found
