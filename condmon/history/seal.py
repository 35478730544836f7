"""Sealing: finished recordings become files of samples, minutes and hours, whatever stops it.

A recording is cut into parts in slices, so that memory stays small; once all parts stand, the
recording is marked as sealed; then the parts of each machine and day are joined, signal by signal,
with what was sealed of that day before. Every step can be done again without harm, so the work
simply starts over after a crash, and late samples take the same way as the day itself.

What is kept of a sample is its value and quality as recorded, with the time settled: a replay under
another configuration judges them anew, and the times need no knowledge of what came before.
"""

from collections.abc import Iterator, Sequence
from contextlib import nullcontext, suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from condmon import log
from condmon.capture.decimals import taken_apart
from condmon.engine.records import F64, GOOD, I64, SECOND_US
from condmon.history.places import Places
from condmon.history.recordings import (
    Columns,
    Name,
    Stream,
    day_of,
    finished,
    names_in,
    settled,
    streams,
)
from condmon.history.sheets import DamagedError, Sheet, Table, write
from condmon.store.durable import TMP, Step, nothing, remove

ROWS_A_SLICE = 150_000
MINUTE_US, HOUR_US = 60 * SECOND_US, 3600 * SECOND_US
_log = log.get("history")


@dataclass(frozen=True, slots=True)
class Sealed:
    """What came of one recording."""

    recording: str
    rows: int
    days: int


def pending(folder: Path) -> bool:
    """Whether there is anything to seal."""
    places = Places(folder)
    return any(not places.is_sealed(stream) for stream in finished(folder)) or any(
        True for _ in places.unfinished()
    )


def seal(
    folder: Path,
    states: frozenset[Name],
    step: Step = nothing,
    rows_a_slice: int = ROWS_A_SLICE,
) -> list[Sealed]:
    """Seal every finished recording and join what waits. Raises OSError, StoreError.

    Parameters
    ----------
    states : frozenset of Name
        Signals that are states; what a broker kept of these is good, of a measure suspect.
    """
    places = Places(folder)
    for left in places.root.glob(f"**/*{TMP}"):  # of a run that was stopped
        left.unlink(missing_ok=True)
    done = []
    for stream in finished(folder):
        if places.is_sealed(stream):
            continue
        done.append(_cut(places, stream, states, step, rows_a_slice))
        present = {path.name for path in folder.glob("stream-*.db")}
        before = {name: last for name, last in places.sealed().items() if name in present}
        places.put_sealed(before | {stream.path.name: stream.last})
        step("marked")
    for day, machine in list(places.unfinished()):
        join(places, day, machine, step)
    return done


def _cut(
    places: Places, stream: Stream, states: frozenset[Name], step: Step, rows_a_slice: int
) -> Sealed:
    """Write a recording as parts by day and machine, a slice at a time."""
    names = names_in(stream)
    # what cannot be opened at the moment is not listed; the recording itself is never left out
    chain = [*(one for one in streams(places.folder) if one.first < stream.first), stream]
    rows, days, after = 0, set(), stream.first - 1
    pieces = settled(chain[-2:], names, states, after, stream.last, rows_a_slice)
    for number, piece in enumerate(pieces):
        for day, machine, signals in _by_machine(piece, names):
            # read again signal by signal: each by itself
            part = places.part(day, machine, stream, number)
            rows += write(part, machine, signals, step, together_rows=0)
            days.add(day)
    return Sealed(stream.path.name, rows, len(days))


def _by_machine(
    piece: Columns, names: Sequence[Name]
) -> Iterator[tuple[str, str, list[tuple[str, Table]]]]:
    """The samples of each day and machine, by signal in order of time."""
    piece = piece.pick(np.lexsort((piece.at_us, piece.number)))
    day = piece.at_us // (24 * HOUR_US)
    for one in np.unique(day).tolist():
        here = piece.pick(day == one)
        by_machine: dict[str, list[tuple[str, Table]]] = {}
        ids, starts = np.unique(here.number, return_index=True)
        ends = [*starts[1:].tolist(), len(here.number)]
        for number, start, end in zip(ids.tolist(), starts.tolist(), ends, strict=True):
            machine, signal = names[number]
            rows = table_of(here.pick(slice(start, end)))
            by_machine.setdefault(machine, []).append((signal, rows))
        for machine, signals in sorted(by_machine.items()):
            yield day_of(one * 24 * HOUR_US), machine, signals


def table_of(columns: Columns) -> Table:
    """Columns of one signal as they are sealed."""
    return {"time": columns.at_us, "value": columns.value, "quality": columns.quality}


def join(places: Places, day: str, machine: str, step: Step = nothing) -> None:
    """Join the parts of a machine's day with what was sealed of it; then the parts go.

    A sealed file that turns out damaged is set aside and the rest is joined.
    """
    target = places.sheet("samples", day, machine)
    parts = places.parts(day, machine)
    sources = _sound([*([target] if target.exists() else []), *parts])
    names = sorted({signal for path in sources for signal in _signals(path)})
    write(target, machine, ((name, merged(sources, name)) for name in names), step)
    if target.exists():
        with Sheet(target) as sheet:
            for kind, every_us in (("minutes", MINUTE_US), ("hours", HOUR_US)):
                path = places.sheet("hours" if kind == "hours" else "minutes", day, machine)
                rows = list(_summaries(path, sheet, every_us))
                write(path, machine, rows, step)
    for part in parts:
        remove(part, step)
    emptied = places.root / "parts" / day / machine
    with suppress(OSError):  # something that was set aside stays in it
        emptied.rmdir()
        emptied.parent.rmdir()


def _summaries(path: Path, samples: Sheet, every_us: int) -> Iterator[tuple[str, Table]]:
    """Spans of all signals; those known of samples that are gone meanwhile stay as they were.

    Hours outlive their samples: what comes late then must not take their place.
    """
    before: dict[str, Table] = {}
    with suppress(DamagedError), Sheet(path) if path.exists() else nullcontext() as sheet:
        before = {name: sheet.read(name) for name in sheet.signals} if sheet else {}
    for name in sorted({*before, *samples.signals}):
        rows = summary(samples.read(name), every_us)
        if name in before:
            rows = fuller(before[name], rows)
        if len(rows["time"]):
            yield name, rows


def fuller(before: Table, now: Table) -> Table:
    """Of two summaries of the same spans the rows that are made of more samples."""
    both = {name: np.concatenate([now[name], before[name].astype(now[name].dtype)]) for name in now}
    order = np.lexsort((-both["count"].astype(np.int64), both["time"]))  # equal: the present one
    first = np.ones(len(order), bool)
    first[1:] = np.diff(both["time"][order]) != 0
    return {name: column[order[first]] for name, column in both.items()}


def _signals(path: Path) -> list[str]:
    with Sheet(path) as sheet:
        return sheet.signals


def _sound(paths: Sequence[Path]) -> list[Path]:
    """Files that can be read whole; others are set aside under a name that says so."""
    sound = []
    for path in paths:
        try:
            with Sheet(path) as sheet:
                sheet.verify()
        except DamagedError as error:
            aside = path.with_name(path.name + ".damaged")
            path.replace(aside)
            _log.error(
                "sealed file is damaged and was set aside",
                file=str(path),
                error=error,
                now_called=aside.name,
                meaning="what is in it is missing from the history; everything else goes on",
            )
        else:
            sound.append(path)
    return sound


def merged(paths: Sequence[Path], signal: str) -> Table:
    """One signal out of several files, in order of time, each sample once.

    The same time and value is the same sample; of equal times the order of arrival stays.
    """
    tables = []
    for path in paths:
        with Sheet(path) as sheet:
            tables.append(sheet.read(signal))
    return once({name: np.concatenate([table[name] for table in tables]) for name in tables[0]})


def once(table: Table) -> Table:
    """Rows in order of time, each (time, value) once."""
    at_us: I64 = table["time"]
    bits = np.ascontiguousarray(table["value"], np.float64).view(np.int64)
    order = np.lexsort((bits, at_us))
    a, b = at_us[order], bits[order]
    first = np.ones(len(order), bool)
    first[1:] = (np.diff(a) != 0) | (np.diff(b) != 0)
    kept = np.sort(order[first])
    kept = kept[np.argsort(at_us[kept], kind="stable")]
    return {name: column[kept] for name, column in table.items()}


def summary(table: Table, every_us: int) -> Table:
    """Count, least, mean, greatest and last good value of every span that has one."""
    good = table["quality"] == GOOD
    at_us: I64 = table["time"][good]
    value: F64 = table["value"][good].astype(np.float64)
    cell = at_us // every_us
    starts = np.flatnonzero(np.diff(cell, prepend=cell[0] - 1)) if len(cell) else np.empty(0, int)
    if not len(starts):
        none = np.empty(0)
        return {"time": np.empty(0, np.int64), "count": np.empty(0, np.uint32), "least": none,
                "mean": none, "greatest": none, "last": none}  # fmt: skip
    count = np.diff(np.append(starts, len(cell)))
    return {
        "time": cell[starts] * every_us,
        "count": count.astype(np.uint32),
        "least": np.minimum.reduceat(value, starts),
        "mean": _short(np.add.reduceat(value, starts) / count, value),
        "greatest": np.maximum.reduceat(value, starts),
        "last": value[np.append(starts[1:], len(value)) - 1],
    }


def _short(mean: F64, value: F64) -> F64:
    """Means to three places more than the values have: the rest is noise that no packer packs."""
    _, places, back = taken_apart(value)
    return np.round(mean, places + 3) if back.all() else mean
