"""What was changed in the configuration since the last start with it, as one line for the log.

Keys are named everywhere; values only of what the machines are judged by. Addresses and the like
may be secrets of their own and are kept as digests only.
"""

import hashlib
import os
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import orjson

from condmon import log
from condmon.errors import CondmonError

SEEN = "configuration-seen.json"
"""File in the data folder: what the configuration said at the last start."""

OPEN_SECTIONS = ("site", "store", "machine", "check", "adjust", "plan")
VALUE_CHARS_MAX, TEXT_CHARS_MAX, NAMED_MAX = 40, 560, 12
_log = log.get("changes")


def changed(config_path: Path, folder: Path) -> str:
    """One line about what is another than at the last start; empty when nothing is, or unknown.

    What is there now is kept for the next time.
    """
    try:
        now = dict(_flat(tomllib.loads(config_path.read_text(encoding="utf-8"))))
        before = _seen(folder / SEEN)
        if now != before:
            _keep(folder / SEEN, now)
    except (OSError, ValueError, CondmonError) as error:
        _log.warning("changes of the configuration cannot be told", error=error,
                     meaning="the log does not say which keys were changed")  # fmt: skip
        return ""
    return "" if before is None or now == before else _told(before, now)


def _told(before: Mapping[str, str], now: Mapping[str, str]) -> str:
    keys = sorted(key for key in before.keys() | now.keys() if before.get(key) != now.get(key))
    said = [_change(key, before.get(key), now.get(key)) for key in keys]
    text, named = "", 0
    for one in said[:NAMED_MAX]:
        longer = f"{text}; {one}" if text else one
        if len(longer) > TEXT_CHARS_MAX:
            break
        text, named = longer, named + 1
    more = f"; and {len(said) - named} more" if named < len(said) else ""
    return f"the configuration was changed: {text}{more}"


def _change(key: str, before: str | None, now: str | None) -> str:
    if before is None or now is None:
        value = f" = {now}" if now is not None and not _hidden(key) else ""
        return f"{key}{value} {'added' if before is None else 'removed'}"
    return key if _hidden(key) else f"{key} {before} -> {now}"


def _hidden(key: str) -> bool:
    return key.split(" ", 1)[0] not in OPEN_SECTIONS


def _flat(tables: Mapping[str, Any], at: str = "") -> Iterator[tuple[str, str]]:
    """Every value by the words that lead to it; members of a list go by their id or name."""
    for key, value in tables.items():
        path = f"{at} {key}".strip()
        if isinstance(value, dict):
            yield from _flat(value, path)
        elif isinstance(value, list) and value and all(isinstance(one, dict) for one in value):
            for number, one in enumerate(value, 1):
                name = one.get("id") or one.get("name") or str(number)
                yield from _flat(one, f"{path} {name}")
        else:
            yield path, _value(path, value)


def _value(path: str, value: object) -> str:
    text = orjson.dumps(value, default=str).decode()
    if _hidden(path):
        return hashlib.sha256(text.encode()).hexdigest()[:16]
    if len(text) <= VALUE_CHARS_MAX:
        return text
    return f"{text[:VALUE_CHARS_MAX]}... ({hashlib.sha256(text.encode()).hexdigest()[:6]})"


def _seen(path: Path) -> dict[str, str] | None:
    """What was kept, None where there is nothing or it cannot be read."""
    try:
        found = orjson.loads(path.read_bytes())
    except (FileNotFoundError, orjson.JSONDecodeError):
        return None
    return found if isinstance(found, dict) else None


def _keep(path: Path, now: Mapping[str, str]) -> None:
    new = path.with_suffix(".new")
    file = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(file, "wb") as out:
        out.write(orjson.dumps(dict(now)))
        out.flush()
        os.fsync(out.fileno())
    new.replace(path)
