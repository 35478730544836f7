"""What goes, when, and in which order, so that the disk never fills with the past.

By age: sealed days (their samples and minutes) after `keep`, recordings after `keep_recordings`.
Where `disk_max_mb` is passed nevertheless, the oldest of each kind goes first, in this order:
raw messages; recordings that are sealed and that every mirror has; sealed days older than a month;
recordings a mirror lacks; younger sealed days; hours. A recording stays in any case while it is not
sealed, is of today or yesterday, or holds what a restart would read. Nothing else is ever removed.
"""

from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from condmon.engine.records import SECOND_US
from condmon.errors import StoreError
from condmon.history.places import Kind, Places
from condmon.history.recordings import Stream, day_of, streams
from condmon.store.durable import Step, nothing, remove
from condmon.store.journal import Reader

DAY_US = 24 * 3600 * SECOND_US
MONTH_DAYS = 31
MB = 1_000_000


@dataclass(frozen=True, slots=True)
class Keep:
    """How long things are kept; `disk_max_mb` 0: no bound of its own.

    `mirrored` is the offset up to which every mirror has the recordings, None: there is no mirror.
    """

    keep_s: float
    keep_recordings_s: float
    disk_max_mb: int = 0
    mirrored: int | None = None


class Gone(NamedTuple):
    """One thing that was removed, and why."""

    what: str
    why: str
    size: int


class _Thing(NamedTuple):
    """One thing that may be removed."""

    rank: int
    day: str
    what: str
    paths: tuple[Path, ...]

    @property
    def size(self) -> int:
        return sum(_size(path) for path in self.paths)


_MIRROR_LACKS = 3
_OVER = "the disk budget is used up"
_OVER_AND_LACKING = "the disk budget is used up; the mirror has not taken this yet"


def prune(folder: Path, keep: Keep, now_us: int, step: Step = nothing) -> list[Gone]:
    """Remove what is over its time or over the budget; what went. Raises OSError, StoreError."""
    places = Places(folder)
    gone = [_remove(places, thing, why, step) for thing, why in list(_aged(places, keep, now_us))]
    if not keep.disk_max_mb:
        return gone
    over = used(folder) - keep.disk_max_mb * MB
    for thing in sorted(_things(places, keep, now_us)):
        if over <= 0:
            break
        why = _OVER_AND_LACKING if thing.rank == _MIRROR_LACKS else _OVER
        gone.append(_remove(places, thing, why, step))
        over -= gone[-1].size
    return gone


def used(folder: Path) -> int:
    """Bytes of everything in the data folder."""
    return sum(_size(path) for path in folder.rglob("*"))


def removable(places: Places, now_us: int) -> list[Stream]:
    """Recordings that neither a restart nor the history needs any more, oldest first.

    A restart reads on from a snapshot, or under another configuration from yesterday's beginning.
    """
    try:
        with Reader(places.folder) as reader:
            offsets = [offset for _, offset in reader.snapshots()]
    except StoreError:
        return []
    if not offsets:
        return []
    yesterday = day_of(now_us - DAY_US)
    newest = max((stream.last for stream in streams(places.folder)), default=0)
    return [
        stream
        for stream in streams(places.folder)
        if stream.last <= min(offsets)
        and stream.last < newest
        and stream.day < yesterday
        and places.is_sealed(stream)
    ]


def _aged(places: Places, keep: Keep, now_us: int) -> Iterator[tuple[_Thing, str]]:
    """Things over their time, with the reason."""
    last_kept = day_of(max(0, now_us - round(keep.keep_recordings_s * SECOND_US)))
    for thing in _recordings(places, keep, now_us):
        if thing.day < last_kept and thing.rank != _MIRROR_LACKS:
            yield thing, "recordings are not kept longer"
    last_kept = day_of(max(0, now_us - round(keep.keep_s * SECOND_US)))
    for day in places.days():
        if day < last_kept:
            yield _sealed_day(places, 0, day), "samples are not kept longer"


def _things(places: Places, keep: Keep, now_us: int) -> Iterator[_Thing]:
    """Everything the budget may take, with its place in the order."""
    for path in places.folder.glob("raw-????-??-??T*.jsonl.gz"):
        yield _Thing(0, path.name[4:17], f"raw messages of {path.name[4:17]}", (path,))
    yield from _recordings(places, keep, now_us)
    month_ago = day_of(now_us - MONTH_DAYS * DAY_US)
    today = day_of(now_us)
    for day in places.days():
        if day < today:
            yield _sealed_day(places, 2 if day < month_ago else 4, day)
    for day in places.days("hours"):
        if day < today:
            paths = _sheets(places, "hours", day)
            yield _Thing(5, day, f"hours of {day}", paths)


def _recordings(places: Places, keep: Keep, now_us: int) -> Iterator[_Thing]:
    for stream in removable(places, now_us):
        lacking = keep.mirrored is not None and stream.last > keep.mirrored
        rank = _MIRROR_LACKS if lacking else 1
        rest = [stream.path.with_name(stream.path.name + end) for end in ("-wal", "-shm")]
        yield _Thing(rank, stream.day, f"recording {stream.stem}", (stream.path, *rest))


def _sealed_day(places: Places, rank: int, day: str) -> _Thing:
    paths = _sheets(places, "samples", day) + _sheets(places, "minutes", day)
    return _Thing(rank, day, f"samples of {day}", paths)


def _sheets(places: Places, kind: Kind, day: str) -> tuple[Path, ...]:
    return tuple(sorted((places.root / kind / day).glob("*.parquet")))


def _remove(places: Places, thing: _Thing, why: str, step: Step) -> Gone:
    size = thing.size
    for path in thing.paths:
        remove(path, step)
    for folder in {path.parent for path in thing.paths} - {places.folder}:
        with suppress(OSError):  # something that was set aside stays in it
            folder.rmdir()
    return Gone(thing.what, why, size)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size if path.is_file() else 0
    except OSError:  # it went meanwhile
        return 0


def summary(gone: Sequence[Gone]) -> str:
    """One sentence for the machine event log."""
    by_why: dict[str, list[Gone]] = {}
    for one in gone:
        by_why.setdefault(one.why, []).append(one)
    parts = []
    for why, group in by_why.items():
        names = ", ".join(one.what for one in group[:5])
        more = f" and {len(group) - 5} more" if len(group) > 5 else ""
        size_mb = sum(one.size for one in group) / MB
        parts.append(f"{names}{more} ({size_mb:.1f} MB): {why}")
    return "removed from the data folder: " + "; ".join(parts)
