"""A report of the days around an event: one HTML page that needs nothing else and prints.

For a service technician or a warranty claim: what the machine did, what condmon said, what people
did, how far the sensors can be trusted, with which software, and whether the log is as it was
written. Nothing of the configuration's ways to people goes into it.
"""

import base64
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from condmon import __version__
from condmon.clock import rfc3339
from condmon.config.shape import Config
from condmon.engine.outputs import Alert
from condmon.engine.records import SECOND_US
from condmon.engine.settings import CONDMON, Calendar, Machine
from condmon.engine.words import nearest, number, shown, span
from condmon.errors import CondmonError, UsageError
from condmon.history.store import History
from condmon.ledger.curves import Curve, Span, curves
from condmon.ledger.drawing import Band, Piece, chart, duty_bar
from condmon.ledger.figures import lasted, usage, usage_rows, versions
from condmon.ledger.photos import look_up, photos_in
from condmon.ledger.traces import Traces, laid, overlay
from condmon.ledger.traces import words as stroke_words
from condmon.ledger.verify import verify
from condmon.store.entries import EntryReader, Numbered, Wanted

ENTRIES_MAX = 3_000
ALERTS_MAX = 200
PHOTOS_MAX, PHOTO_BYTES_MAX = 24, 8_000_000
SENSORS = ("sensor", "clock", "gap", "link", "topic")
CHARTED = ("measure", "counter", "state", "moment", "calibration")


@dataclass(frozen=True, slots=True)
class Told:
    """An alert of the report: its number there, and the last change of each part in words."""

    number: int
    alert: Alert
    when: str
    state: str


@dataclass(frozen=True, slots=True)
class Drawn:
    """A chart with its heading."""

    title: str
    words: str
    svg: Markup


def report(config: Config, machine_id: str, asked: Span, now_us: int) -> str:
    """The page. Raises UsageError, StoreError, CondmonError."""
    machine = _machine(config, machine_id)
    calendar = config.settings.calendar
    with EntryReader(config.store.path) as reader:
        span_us = _bounded(asked, reader, config, machine_id, now_us)
        alerts = _alerts(reader, machine_id, span_us, calendar)
        entries, left_out = _entries(reader, machine_id, span_us)
        duty = _duty(reader, machine_id, span_us, entries)
        counts = list(usage_rows(usage(reader, config.settings, machine_id), _unit(machine)))
        starts = reader.find(Wanted(kind="start", to_us=span_us[1]), 1)
        corrections = reader.corrections([one.entry.id for one in entries])
    verdict = verify(config.store.path / "journal.db", (), config.store.path)
    charts, strokes = _charts(config, machine, span_us, alerts)
    made: str = _template().render(
        site=config.settings.site, machine=machine, span=span_us, now_us=now_us,
        text=calendar.text, lasted=span, rfc3339=rfc3339, version=__version__, alerts=alerts,
        listed=[e for e in entries if e.entry.kind != "duty"], left_out=left_out,
        duties=sum(e.entry.kind == "duty" for e in entries), corrections=corrections,
        duty=lasted(duty), duty_svg=duty_bar(duty, span_us, calendar) if duty else None,
        charts=charts, strokes=strokes, counts=counts, started=starts[:1],
        people=[e for e in entries if e.entry.kind == "action"],
        service=[e for e in entries if e.entry.kind == "service"],
        sensors=[e for e in entries if e.entry.kind in SENSORS],
        changes=[e for e in entries if e.entry.kind in {"start", "model"}],
        photos=_photos(config.store.path, entries), verdict=verdict, versions=versions(),
        digest=config.settings.digest, words=_plain,
    )  # fmt: skip
    return made


def _machine(config: Config, machine_id: str) -> Machine:
    for machine in config.settings.machines:
        if machine.id == machine_id:
            return machine
    known = [machine.id for machine in config.settings.machines]
    raise UsageError(
        f"--machine {machine_id}: the configuration has no such machine{nearest(machine_id, known)}"
        f"; there are {', '.join(known)}"
    )


def _unit(machine: Machine) -> str:
    """The unit in which travel is counted."""
    axes = machine.by_role("axis_position")
    return axes[0].unit if axes else "1"


def _bounded(asked: Span, reader: EntryReader, config: Config, machine: str, now_us: int) -> Span:
    """The span of which there can be something: from the first day or entry to the last writing."""
    held = History(config.store.path, config.settings.signals).span_us()
    first = next(reader.each(Wanted(machine), 1), None)
    begins = [us for us in (held and held[0], first and first.entry.at_us) if us]
    from_us = max(asked[0], min(begins, default=asked[0]))
    to_us = min(asked[1], now_us, reader.written_us() or now_us)
    if from_us >= to_us:
        raise CondmonError(
            f"{config.store.path}: nothing is known of {machine} from {rfc3339(asked[0])} to "
            f"{rfc3339(asked[1])}. Choose other days."
        )
    return from_us, to_us


def _alerts(reader: EntryReader, machine: str, span_us: Span, calendar: Calendar) -> list[Told]:
    found = reader.alerts_between(machine, *span_us, ALERTS_MAX)[::-1]
    return [
        Told(n, alert, _when(alert, calendar), alert.state.replace("_", ", ", 1).replace("_", " "))
        for n, alert in enumerate(found, 1)
    ]


def _when(alert: Alert, calendar: Calendar) -> str:
    began = calendar.text(alert.began_us)
    if alert.ended_us is None:
        return f"since {began}, not ended"
    whole = span((alert.ended_us - alert.began_us) / 1e6)
    return f"{began} to {calendar.text(alert.ended_us)} ({whole})"


def _entries(reader: EntryReader, machine: str, span_us: Span) -> tuple[list[Numbered], int]:
    """Entries of the machine and of condmon itself in the order of the chain; how many too many."""
    found: list[Numbered] = []
    left_out = 0
    for of in (machine, CONDMON):
        wanted = Wanted(of, "", "", *span_us)
        found += reader.each(wanted, ENTRIES_MAX)
        left_out += max(0, reader.count(wanted) - ENTRIES_MAX)
    return sorted(found), left_out


def _duty(reader: EntryReader, machine: str, span_us: Span, entries: list[Numbered]) -> list[Piece]:
    """What the machine was doing, from one entry on it to the next; gaps are not known."""
    before = reader.find(Wanted(machine, "duty", "", to_us=span_us[0]), 1)
    inside = reader.each(Wanted(machine, "duty", "", *span_us), ENTRIES_MAX)
    changes = sorted(
        (e.entry.at_us, str(e.entry.facts.get("duty", ""))) for e in [*before, *inside]
    )
    ends = [*(at_us for at_us, _ in changes[1:]), span_us[1]][: len(changes)]
    pieces = [
        Piece(max(at_us, span_us[0]), end_us, word)
        for (at_us, word), end_us in zip(changes, ends, strict=True)
        if word and end_us > span_us[0]
    ]
    for gap in _gaps(entries):
        pieces = [part for piece in pieces for part in _without(piece, gap)]
    return pieces


def _gaps(entries: list[Numbered]) -> list[Span]:
    """Times of which the log says that nothing was recorded."""
    found = []
    for _, _, entry in entries:
        from_us, to_us = entry.facts.get("from_us"), entry.facts.get("to_us")
        seconds = entry.facts.get("seconds")
        if entry.kind == "gap" and isinstance(from_us, int) and isinstance(to_us, int):
            found.append((from_us, to_us))
        elif entry.kind == "gap" and isinstance(seconds, int):
            found.append((entry.at_us - seconds * SECOND_US, entry.at_us))
    return found


def _without(piece: Piece, gap: Span) -> list[Piece]:
    """What is left of a piece beside a gap."""
    parts = [
        Piece(piece.from_us, min(piece.to_us, gap[0]), piece.word),
        Piece(max(piece.from_us, gap[1]), piece.to_us, piece.word),
    ]
    return [part for part in parts if part.to_us > part.from_us] if gap[0] < gap[1] else [piece]


def _charts(
    config: Config, machine: Machine, span_us: Span, alerts: list[Told]
) -> tuple[list[Drawn], list[Drawn]]:
    """Charts of the signals of which something is known, those with alerts first; strokes."""
    concerned = {name for told in alerts for name in told.alert.signals}
    wanted = [signal for signal in machine.signals if signal.kind in CHARTED and signal.topic]
    wanted.sort(key=lambda signal: signal.name not in concerned)
    history = History(config.store.path, config.settings.signals)
    traces = Traces([s.name for s in machine.signals if s.kind == "trace" and s.topic])
    found = curves(history, machine.id, wanted, span_us, traces=traces)
    drawn = []
    for signal in wanted:
        curve = found[signal.name]
        if np.isnan(curve.low).all():
            continue
        bands = [
            Band(t.alert.began_us, t.alert.ended_us or span_us[1], t.number)
            for t in alerts
            if signal.name in t.alert.signals
        ]
        svg = chart(signal, curve, span_us, bands, config.settings.calendar)
        drawn.append(Drawn(signal.label(), _extremes(signal.kind, signal.unit, curve), svg))
    return drawn, list(_strokes(config, machine, traces, alerts))


def _strokes(
    config: Config, machine: Machine, traces: Traces, alerts: list[Told]
) -> Iterator[Drawn]:
    """Strokes of each axis laid over each other: at every alert, else the last one."""
    for signal in machine.signals:
        if signal.name not in traces.names:
            continue
        told: list[Told | None] = [t for t in alerts if signal.name in t.alert.signals]
        for one in told or [None]:
            found = laid(traces, machine, signal, one.alert if one else None)
            if found is not None:
                title = signal.label() + (f", alert {one.number}" if one else "")
                said = stroke_words(found, signal, config.settings.calendar)
                yield Drawn(title, said, overlay(found, signal))


def _extremes(kind: str, unit: str, curve: Curve) -> str:
    if kind == "state":
        return ""
    low, high = float(np.nanmin(curve.low)), float(np.nanmax(curve.high))
    return f"{number(low, 4)} to {number(high, 4)}{shown(unit)}"


def _photos(folder: Path, entries: list[Numbered]) -> list[dict[str, Any]]:
    """Photos of the entries as part of the page, as far as there is room."""
    found: list[dict[str, Any]] = []
    room = PHOTO_BYTES_MAX
    for one in entries:
        for name in photos_in(one.entry.text):
            photo = look_up(folder, name)
            fits = len(found) < PHOTOS_MAX and len(photo.content) <= room
            room -= len(photo.content) if fits else 0
            trouble = photo.trouble or ("" if fits else "is left out here: there is no more room")
            shown_as = base64.b64encode(photo.content).decode() if not trouble else ""
            found.append({"entry": one, "name": name, "trouble": trouble, "content": shown_as})
    return found


def _plain(text: str) -> str:
    """A text without signs that cannot be printed, its photos named in words."""
    for name in photos_in(text):
        text = text.replace(f"[photo {name}]", f"(photo {name[:8]})")
    return "".join(sign if sign.isprintable() else " " for sign in text)


def _template() -> Any:
    folder = Path(__file__).parent
    made = Environment(
        loader=FileSystemLoader(folder), autoescape=True, undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True,
    )  # fmt: skip
    return made.get_template("report.html")
