"""How far the server has taken the record, and the lines it would not have: two small files.

`mirror.json` is written whole or not at all. It may be older than what was taken, never newer: a
kill in between has a little handed over twice, which a server keeps once.
"""

import os
from dataclasses import asdict, dataclass
from hashlib import sha256
from pathlib import Path

import orjson

from condmon import log
from condmon.clock import rfc3339
from condmon.config.shape import Influx

FILE, REFUSED = "mirror.json", "mirror-refused.jsonl"
REFUSED_BYTES_MAX = 5_000_000  # then the file before it is let go
_log = log.get("mirror")


@dataclass(frozen=True, slots=True)
class Cursor:
    """What a server has: recordings up to `offset`, journal entries up to `entry`.

    `server` tells servers apart; `away_us` is since when it takes nothing, 0 while it does; `told`
    is what people know of it already (bits of mirror.py).
    """

    server: str
    offset: int = 0
    entry: int = 0
    away_us: int = 0
    told: int = 0


def name_of(influx: Influx) -> str:
    """A name for one bucket of one server: another gets everything that is still recorded."""
    words = f"{influx.url}\n{influx.org}\n{influx.bucket}"
    return sha256(words.encode()).hexdigest()[:12]


def read(folder: Path, server: str, newest: int) -> Cursor:
    """The cursor of this server; at the beginning where there is none or it cannot be right.

    `newest` is the recorder's last offset; a cursor beyond it belongs to another record.
    """
    try:
        found = Cursor(**orjson.loads((folder / FILE).read_bytes()))
        if found.server == server and 0 <= int(found.offset) <= newest and int(found.entry) >= 0:
            return found
    except FileNotFoundError:
        pass
    except (OSError, ValueError, TypeError) as error:
        _log.warning(
            "mirror.json cannot be used",
            error=error,
            meaning="all that is still recorded is handed over again; a server keeps it once",
        )
    return Cursor(server)


def write(folder: Path, cursor: Cursor) -> None:
    """Put it on the disk. Raises OSError."""
    new = folder / f"{FILE}.new"
    with new.open("wb") as file:
        file.write(orjson.dumps(asdict(cursor)))
        file.flush()
        os.fsync(file.fileno())
    new.replace(folder / FILE)


def set_aside(folder: Path, line: bytes, reason: str, now_us: int) -> None:
    """Keep a line that the server refused, with its reason. Raises OSError."""
    path = folder / REFUSED
    if path.exists() and path.stat().st_size > REFUSED_BYTES_MAX:
        path.replace(path.with_suffix(".before.jsonl"))
    row = {"at": rfc3339(now_us), "reason": reason, "line": line.decode()}
    with path.open("ab") as file:
        file.write(orjson.dumps(row, option=orjson.OPT_APPEND_NEWLINE))
        file.flush()
        os.fsync(file.fileno())
