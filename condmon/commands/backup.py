"""`condmon backup` and `condmon restore`: the whole data folder, beside a running daemon.

A backup is a folder with the same files, SQLite ones as whole copies, and a list of them with
their digests. A file that has not changed is not copied again. The journal is copied before the
recordings, so that what a copy lacks is built up again from them.
"""

import argparse
import hashlib
import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import orjson

from condmon import __version__
from condmon.clock import Clock, rfc3339
from condmon.commands.owner import give_to_owner_of, owner_of
from condmon.config import load
from condmon.errors import StoreError, UsageError
from condmon.store.lock import Lock, holder

LIST = "backup.json"
CONFIG = "configuration/condmon.toml"
LEFT_OUT = ("-wal", "-shm", "-journal", ".lock", ".tmp", ".part")
READ_BYTES = 1 << 20
LOOKS = 5


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what `condmon backup` takes."""
    parser.add_argument("to", type=Path, metavar="FOLDER",
                        help="where it goes; used again, only what changed is copied")  # fmt: skip
    _config_argument(parser)


def run(args: argparse.Namespace) -> int:
    """Copy the data folder. Raises StoreError, UsageError, ConfigError."""
    store = load(args.config).store.path
    target: Path = args.to
    if target.resolve().is_relative_to(store.resolve()):
        raise UsageError(f"{target} lies in the data folder itself; choose another disk")
    if not store.is_dir():
        raise StoreError(f"{store}: there is no data folder yet; nothing to back up")
    try:
        target.mkdir(parents=True, exist_ok=True)
        target.chmod(0o700)  # it holds accounts and keys
        before = _listed(target)
        rows = _copied(store, target, before)
        rows[CONFIG] = _copy(args.config, target / CONFIG, before.get(CONFIG))
        _write_list(target, rows)
        gone = _forget(target, set(before) - set(rows))
        give_to_owner_of(target)
    except (OSError, sqlite3.Error) as error:
        raise StoreError(
            f"the backup in {target} is not complete: {error}. The one before it, if there was "
            "one, is still listed; make room and run it again"
        ) from error
    size_mb = sum(row["bytes"] for row in rows.values()) / 1e6
    new = sum(row != before.get(name) for name, row in rows.items())
    print(f"backed up {len(rows)} files, {size_mb:.1f} MB, {new} of them new or changed, "
          f"{gone} no longer needed. Password files and the page's certificates named in the "
          "configuration are not part of it.")  # fmt: skip
    return 0


def restore_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what `condmon restore` takes."""
    parser.add_argument("from_", type=Path, metavar="FOLDER", help="a backup")
    _config_argument(parser)


def restore(args: argparse.Namespace) -> int:
    """Put a backup into an empty data folder. Raises StoreError, UsageError, ConfigError."""
    store, source = load(args.config).store.path, args.from_
    rows = _listed(source)
    if not rows:
        raise UsageError(f"{source} is no backup of condmon: it has no readable {LIST}")
    pid = holder(store)
    if pid:
        raise StoreError(f"{store}: a daemon (pid {pid}) works there; stop it first")
    if store.is_dir() and any(path.suffix != ".lock" for path in store.iterdir()):
        raise StoreError(
            f"{store} is not empty; nothing was changed. Move what is there aside, then restore"
        )
    wrong = [name for name, row in rows.items() if not _is_whole(source / name, row)]
    if wrong:
        raise StoreError(
            f"{len(wrong)} file(s) of the backup are missing or were changed, for instance "
            f"{wrong[0]}; nothing was restored"
        )
    try:
        store.mkdir(parents=True, exist_ok=True)
        lock = Lock(store)
        try:
            for name in rows:
                if name != CONFIG:
                    (store / name).parent.mkdir(parents=True, exist_ok=True)
                    shutil.copy2(source / name, store / name)
        finally:
            lock.release()
        give_to_owner_of(store)
    except OSError as error:
        raise StoreError(f"{store}: the backup could not be put back whole: {error}") from error
    print(
        f"restored {len(rows) - 1} files into {store}; they belong to {owner_of(store)}, whom the "
        "daemon has to run as. "
        f"The configuration of then is {source / CONFIG}. Start the daemon again."
    )
    return 0


def _config_argument(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("-c", "--config", type=Path, default=Path("condmon.toml"), metavar="FILE",
                        help="the configuration (default: condmon.toml)")  # fmt: skip


def _names(store: Path) -> list[str]:
    """Files of the data folder; the journal and its kin before the recordings."""
    found = [
        path.relative_to(store).as_posix()
        for path in sorted(store.rglob("*"))
        if path.is_file() and not path.name.endswith(LEFT_OUT) and path.parent.name != "asked"
    ]
    return sorted(found, key=lambda name: name.startswith("stream-"))


def _copied(
    store: Path, target: Path, before: dict[str, dict[str, Any]]
) -> dict[str, dict[str, Any]]:
    """Copy every file of the data folder; its rows of the list.

    A day that is sealed or removed meanwhile takes its recording away: then it is looked anew, for
    what came in its place.
    """
    rows: dict[str, dict[str, Any]] = {}
    for _ in range(LOOKS):
        gone = 0
        for name in _names(store):
            if name in rows:
                continue
            try:
                rows[name] = _copy(store / name, target / name, before.get(name))
            except (OSError, sqlite3.Error):
                if (store / name).exists():
                    raise
                gone += 1
        if not gone:
            return rows
    raise OSError("files of the data folder went again and again while they were copied")


def _copy(source: Path, target: Path, before: dict[str, Any] | None) -> dict[str, Any]:
    """Copy one file if it changed since; its row of the list."""
    found = source.stat()
    stamp = [found.st_size, found.st_mtime_ns, *_of_wal(source)]
    if before and before.get("stamp") == stamp and _is_whole(target, before):
        return before
    target.parent.mkdir(parents=True, exist_ok=True)
    new = target.with_name(target.name + ".part")
    new.unlink(missing_ok=True)
    if source.suffix == ".db":
        _copy_database(source, new)
    else:
        shutil.copyfile(source, new)
    with new.open("rb+") as file:
        os.fsync(file.fileno())
    new.replace(target)
    return {"stamp": stamp, "bytes": target.stat().st_size, "sha256": _digest(target)}


def _of_wal(source: Path) -> list[int]:
    """What is not yet in the file itself changes its stamp too."""
    wal = source.with_name(source.name + "-wal")
    try:
        found = wal.stat()
    except FileNotFoundError:
        return [0, 0]
    return [found.st_size, found.st_mtime_ns] if found.st_size else [0, 0]


def _copy_database(source: Path, new: Path) -> None:
    where = f"{source.resolve().as_uri()}?mode=ro"
    with (
        closing(sqlite3.connect(where, uri=True, timeout=30)) as db,
        closing(sqlite3.connect(new)) as copy,
    ):
        db.backup(copy)
        copy.execute("PRAGMA journal_mode = DELETE")
        [(verdict,)] = copy.execute("PRAGMA quick_check(1)").fetchall()
    if verdict != "ok":
        raise sqlite3.DatabaseError(f"{source.name} is damaged: {verdict}")


def _digest(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(READ_BYTES):
            digest.update(piece)
    return digest.hexdigest()


def _is_whole(path: Path, row: dict[str, Any]) -> bool:
    return path.is_file() and path.stat().st_size == row["bytes"] and _digest(path) == row["sha256"]


def _listed(folder: Path) -> dict[str, dict[str, Any]]:
    """The list of a backup; empty where there is none that can be read."""
    try:
        files = orjson.loads((folder / LIST).read_bytes())["files"]
        safe = isinstance(files, dict) and all(map(_stays_inside, files))
        safe = safe and all(map(_is_row, files.values()))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}
    return files if safe else {}


def _stays_inside(name: str) -> bool:
    return not name.startswith("/") and ".." not in name.split("/")


def _is_row(row: Any) -> bool:
    known = isinstance(row, dict) and isinstance(row.get("bytes"), int)
    return known and isinstance(row.get("sha256"), str)


def _write_list(folder: Path, rows: dict[str, dict[str, Any]]) -> None:
    new = folder / f"{LIST}.part"
    facts = {"version": __version__, "made": rfc3339(Clock().now_us()), "files": rows}
    with new.open("wb") as file:
        file.write(orjson.dumps(facts, option=orjson.OPT_INDENT_2))
        os.fsync(file.fileno())
    new.replace(folder / LIST)


def _forget(folder: Path, names: set[str]) -> int:
    """Remove what the data folder no longer has: a recording sealed since, say."""
    for name in names:
        (folder / name).unlink(missing_ok=True)
    return len(names)
