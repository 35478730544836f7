"""Whether a replay of a recorded day says what the daemon said live, or where the two part."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from condmon.clock import rfc3339
from condmon.config import Config
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert, Entry, Message
from condmon.engine.records import SECOND_US, Started
from condmon.engine.settings import Calendar, Settings
from condmon.engine.snapshot import SnapshotError, made_under
from condmon.errors import CondmonError
from condmon.history.recordings import Stream, streams
from condmon.replaying.livetold import Given, Planned, TellReader, notes, rows
from condmon.replaying.stored import recorded
from condmon.spans import Span
from condmon.store.daystart import starts
from condmon.store.journal import Reader

AFTER_US = 120 * SECOND_US
ENTRIES_AT_ONCE = 10_000
OTHER = (
    "the daemon ran with another configuration then, and what it carried on came from that one; "
    "this is what the present one says"
)


class Part(NamedTuple):
    """Something only one of the two said, or both with other words."""

    at_us: int
    what: str
    live: str  # empty: was not said
    replayed: str


class Compared(NamedTuple):
    """What was compared and where the two part; `cold` says why they may, "" for no reason.

    `notes` say what is told but not compared, and why.
    """

    span: Span
    entries: int
    alerts: int
    messages: int
    parts: list[Part]
    cold: str
    notes: list[str]


def compare(config: Config, span: Span) -> Compared:
    """Replay a span out of the recordings and lay it beside the journal.

    Raises CondmonError where nothing of that time is recorded any more, StoreError.
    """
    folder, settings = config.store.path, config.settings
    found = streams(folder)
    with TellReader(folder) as reader:
        until = reader.offset()
        entries = _entries(reader, span)
        alerts = {a.id: a for a in reader.alerts() if span[0] <= a.raised_us < span[1]}
        given = reader.given(span)
    engine, after, cold = _begin(folder, found, settings, span)
    said_entries: dict[str, Entry] = {}
    said_alerts: dict[str, Alert] = {}
    said_messages: dict[str, Message] = {}
    for _, batch in recorded(found, settings, after, until):
        if any(isinstance(r, Started) and r.settings != settings.digest for r in batch):
            cold = OTHER
        for output in engine.push(batch):
            if isinstance(output, Entry) and span[0] <= output.at_us < span[1]:
                said_entries.setdefault(output.id, output)
            elif isinstance(output, Alert) and span[0] <= output.raised_us < span[1]:
                said_alerts[output.id] = output
            elif isinstance(output, Message) and span[0] <= output.at_us < span[1]:
                said_messages.setdefault(output.id, output)
        if engine.now_us >= span[1] + AFTER_US:
            break
    parts = _parts(
        {i: (e.at_us, e.machine, _of_entry(e)) for i, e in entries.items()},
        {i: (e.at_us, e.machine, _of_entry(e)) for i, e in said_entries.items()},
        "entry",
    )
    reached_us = engine.now_us
    parts += _parts(
        {i: (a.raised_us, a.machine, _of_alert(a, reached_us)) for i, a in alerts.items()},
        {i: (a.raised_us, a.machine, _of_alert(a, reached_us)) for i, a in said_alerts.items()},
        "alert",
    )
    messages = _of_messages(config, given, said_messages)
    return Compared(
        span, len(entries), len(alerts), len(given.messages), sorted(parts + messages), cold,
        list(notes(given, parted=bool(messages))),
    )  # fmt: skip


def _of_messages(config: Config, given: Given, said: Mapping[str, Message]) -> list[Part]:
    """Where what was to be told live parts from what the replay and the plan would tell."""
    planned = Planned(config)
    live = {i: planned.by_itself(m, given.ways.get(i, set())) for i, m in given.messages.items()}
    now = {i: planned.ways(m) for i, m in said.items()}
    return _parts(rows(given.messages, live), rows(said, now), "message")


def _begin(
    folder: Path, found: list[Stream], settings: Settings, span: Span
) -> tuple[Engine, int, str]:
    """An engine that stands before the span, the offset from which to go on, and what it lacks."""
    if not found:
        raise CondmonError(
            f"{folder}: no recordings are left here, so that nothing can be compared; "
            "[store] keep_recordings says how long they stay"
        )
    for start in reversed(starts(folder)):
        if start.at_us > span[0] or start.offset < found[0].first - 1:
            continue
        if made_under(start.blob) != settings.digest:
            break
        try:
            return Engine.restore(settings, start.blob), start.offset, ""
        except SnapshotError:
            continue
    if found[0].first == 1:
        return Engine(settings), 0, ""
    return Engine(settings), 0, (
        f"the recordings before {found[0].day} are gone and no state of that time under this "
        "configuration is kept, so the replay knew less of the past than the daemon did"
    )  # fmt: skip


def _entries(reader: Reader, span: Span) -> dict[str, Entry]:
    found: dict[str, Entry] = {}
    seq = 0
    while rows := reader.entries_after(seq, ENTRIES_AT_ONCE):
        found |= {e.id: e for _, e in rows if span[0] <= e.at_us < span[1]}
        if rows[-1][0] <= seq:
            break
        seq = rows[-1][0]
    return found


Told = Mapping[str, tuple[int, str, str]]
"""id -> when, machine, words."""


def _parts(live: Told, replayed: Told, what: str) -> list[Part]:
    out = []
    for one in {*live, *replayed}:
        at_us, machine, _ = live.get(one) or replayed[one]
        ours, theirs = (side[one][2] if one in side else "" for side in (live, replayed))
        if ours != theirs:
            out.append(Part(at_us, f"{what} of {machine}", ours, theirs))
    return out


def _of_entry(entry: Entry) -> str:
    return f"{entry.kind}: {entry.text} {dict(entry.facts) or ''}".strip()


def _of_alert(alert: Alert, reached_us: int) -> str:
    """What must be the same: all of the onset, and the end where the replay came that far."""
    over = alert.ended_us is not None and alert.ended_us + AFTER_US < reached_us
    ended = f", ended {rfc3339(alert.ended_us)}" if over and alert.ended_us else ""
    return (
        f"{alert.urgency} {alert.check}: {alert.title} (began {rfc3339(alert.began_us)}, raised "
        f"{rfc3339(alert.raised_us)}{ended})"
    )


def row(compared: Compared) -> dict[str, Any]:
    """The comparison as one JSON object."""
    first = compared.parts[0] if compared.parts else None
    return {
        "kind": "compared", "equal": not compared.parts, "entries": compared.entries,
        "alerts": compared.alerts, "messages": compared.messages,
        "from": rfc3339(compared.span[0]),
        "to": rfc3339(compared.span[1]), "parts": len(compared.parts),
        "first": first and {"at": rfc3339(first.at_us), "what": first.what, "live": first.live,
                            "replayed": first.replayed},
        "cold": compared.cold, "notes": compared.notes,
    }  # fmt: skip


def readable(compared: Compared, calendar: Calendar) -> Iterator[str]:
    """Write the comparison for people."""
    from_us, to_us = compared.span
    yield f"From {calendar.text(from_us)} to {calendar.text(to_us)}:"
    what = (
        f"{compared.entries} entries, {compared.alerts} alerts and {compared.messages} messages "
        "were told live"
    )
    if compared.parts:
        first = compared.parts[0]
        yield f"{what}; the replay differs in {len(compared.parts)} of them or says others."
        yield f"They first part at {calendar.text(first.at_us)}, {first.what}:"
        yield f"  live:     {first.live or '(nothing)'}"
        yield f"  replayed: {first.replayed or '(nothing)'}"
    else:
        yield f"{what}; the replay says the same."
    for note in [*([compared.cold] if compared.cold else []), *compared.notes]:
        yield f"Note: {note}."
