"""Figures of a report: running hours out of the newest snapshot, versions of the software."""

import platform
import sqlite3
from collections.abc import Iterable, Iterator
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from condmon import __version__
from condmon.engine.engine import Engine
from condmon.engine.settings import Settings
from condmon.engine.words import number, shown, span
from condmon.errors import CondmonError
from condmon.store.entries import EntryReader

PARTS = ("numpy", "pyarrow", "scikit-learn", "paho-mqtt")


def versions() -> list[tuple[str, str]]:
    """Name and version of what judged and wrote all this."""
    found = [("condmon", __version__), ("Python", platform.python_version())]
    found.append(("SQLite", sqlite3.sqlite_version))
    for part in PARTS:
        try:
            found.append((part, version(part)))
        except PackageNotFoundError:
            continue
    found.append(("computer", f"{platform.system()} {platform.machine()}"))
    return found


def usage(reader: EntryReader, settings: Settings, machine: str) -> dict[str, Any]:
    """Counters of a machine as of the newest snapshot; empty where it cannot be read.

    A snapshot made under another configuration has its counters in another form.
    """
    found = reader.last_snapshot()
    if found is None:
        return {}
    try:
        return Engine.restore(settings, found[0]).usage().get(machine, {})
    except (CondmonError, ValueError):
        return {}


def usage_rows(counts: dict[str, Any], unit: str) -> Iterator[tuple[str, str]]:
    """The counters in words; `unit` is that of the axes' positions."""
    for duty, seconds in counts.get("duty_s", {}).items():
        yield f"time {duty}", span(seconds)
    for band, seconds in counts.get("speed_s", {}).items():
        yield f"spindle at {band:,} to {band + 999:,} /min", span(seconds)
    for name, words in (
        ("power_ons", "times switched on"), ("program_runs", "program runs"),
        ("spindle_starts", "spindle starts"), ("tool_changes", "tool changes"),
        ("door_cycles", "door closings"), ("chiller_starts", "chiller starts"),
        ("hard_stops", "hard stops"),
    ):  # fmt: skip
        if name in counts:
            yield words, number(counts[name], 6)
    for axis, zones in counts.get("travel", {}).items():
        yield (
            f"travel of axis {axis.upper()}",
            f"{number(sum(zones.values()), 6)}{shown(unit)}",
        )


def lasted(pieces: Iterable[tuple[int, int, str]]) -> list[tuple[str, str]]:
    """How long each duty lasted in all."""
    sums: dict[str, int] = {}
    for from_us, to_us, word in pieces:
        sums[word] = sums.get(word, 0) + to_us - from_us
    return [(word, span(us / 1e6)) for word, us in sorted(sums.items(), key=lambda p: -p[1])]
