"""One file through one or two configurations: the piece of work that is handed to workers."""

from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from condmon import capture
from condmon.clock import SiteCalendar
from condmon.engine.engine import Engine
from condmon.engine.records import Batch
from condmon.engine.settings import Settings
from condmon.errors import CondmonError
from condmon.replaying.compare import Said
from condmon.replaying.told import Told, ending

ENDINGS = (".parquet", ".csv", ".jsonl", ".json")


class Day(NamedTuple):
    """What came of one file; `why` says why nothing did."""

    said: tuple[Said, ...]  # one for each configuration
    warnings: tuple[str, ...] = ()
    cut: bool = False
    why: str = ""


class Under(NamedTuple):
    """What a file is read and judged by. Goes to other processes by pickle, never to a disk."""

    settings: tuple[Settings, ...]
    payload_bytes_max: int
    columns: capture.Mapping | None = None
    machine: str | None = None


def work(path: Path, under: Under) -> Day:
    """Judge one file; what is wrong with it is told in the result, never raised."""
    try:
        return _judged(path, under)
    except (CondmonError, OSError) as error:
        return Day((), why=str(error))


def _judged(path: Path, under: Under) -> Day:
    first = under.settings[0]
    notes = capture.Notes()
    if all(settings.signals == first.signals for settings in under.settings):
        said = _side_by_side(path, under.settings, under, notes)
    else:
        said = [one for s in under.settings for one in _side_by_side(path, [s], under, notes)]
    return Day(tuple(said), tuple(dict.fromkeys(notes.warnings)), notes.cut)


def _side_by_side(
    path: Path, settings: Sequence[Settings], under: Under, notes: capture.Notes
) -> list[Said]:
    """Read the file once, batch by batch, through an engine of each."""
    calendar = settings[0].calendar
    zone = calendar.offset_s if isinstance(calendar, SiteCalendar) else None
    batches = capture.read(
        [path], settings[0], notes, zone, under.payload_bytes_max, under.columns
    )  # fmt: skip
    runs = [Run(one, under.machine) for one in settings]
    for batch in batches:
        for run in runs:
            run.take(batch)
    return [run.end() for run in runs]


class Run:
    """An engine and what it has said so far."""

    def __init__(self, settings: Settings, machine: str | None = None) -> None:
        self.told = Told(settings, machine)
        self._engine = Engine(settings)

    def take(self, batch: Batch) -> None:
        """Push a batch."""
        for counted in self.told.count([batch]):
            for output in self._engine.push(counted):
                self.told.take(output)

    def end(self) -> Said:
        """Let the last seconds be judged; what was said."""
        for output in ending(self._engine, self.told.last_us):
            self.told.take(output)
        return Said.of(self.told)


def files(paths: Sequence[Path]) -> list[Path]:
    """The files named, and those in folders named, at any depth, in order of their names."""
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            found += sorted(p for p in path.rglob("*") if p.is_file() and _is_day(p))
        else:
            found.append(path)
    return list(dict.fromkeys(found))


def _is_day(path: Path) -> bool:
    name = path.name.removesuffix(".gz").removesuffix(".zst")
    return name.endswith(ENDINGS)
