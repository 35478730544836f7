"""Words of the morning note and of the weekly report. Pure: plain values in, plain values out."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple, TypeVar

from condmon.digest.spans import busiest, hours_by_duty
from condmon.engine.outputs import Alert, Entry
from condmon.engine.records import SECOND_US
from condmon.engine.settings import CONDMON, Calendar, Settings
from condmon.engine.words import span

T = TypeVar("T")

OLDEST_SHOWN = 8
LINES_MAX = 25
DUE_CHECK = "service-due"
SENSOR_KINDS = ("sensor", "clock")
LOAD_BOUND_A_DAY, LOAD_BOUND_IN_TEN_MIN = 150, 10
"""What one person can take in (EEMUA 191 and ISA-18.2, from memory)."""


class Undelivered(NamedTuple):
    """A message that did not get through, or has waited for long."""

    way: str
    title: str
    why: str
    failed: bool


@dataclass(frozen=True, slots=True)
class Happened:
    """What the journal knows of a span, everything oldest first.

    `raised` are alerts raised in the span, `open` those that are not over at its end, `unexplained`
    the oldest of those that are over without a cause. `duties` begins with the duty that each
    machine had when the span began. `blind` are (from_us, to_us) in which nobody watched.
    """

    from_us: int
    to_us: int
    raised: tuple[Alert, ...] = ()
    open: tuple[Alert, ...] = ()
    unexplained: tuple[Alert, ...] = ()
    unexplained_count: int = 0
    entries: tuple[Entry, ...] = ()
    duties: tuple[Entry, ...] = ()
    blind: tuple[tuple[int, int], ...] = ()
    undelivered: tuple[Undelivered, ...] = ()
    silent_signals: tuple[str, ...] = ()  # "Five-axis mill: coolant, silent"
    head: str = ""  # of the log's hash chain, as it is now


class Line(NamedTuple):
    """One thing told, and the alert that tells more of it."""

    text: str
    alert: str = ""


class Part(NamedTuple):
    """One heading and what stands under it."""

    heading: str
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """A morning note or a weekly report; parts with nothing in them are left out."""

    title: str  # the first 40 characters carry it
    from_us: int
    to_us: int
    parts: tuple[Part, ...]
    worth_sending: bool = True


def morning(found: Happened, settings: Settings) -> Report:
    """What happened since the last morning note, what wants someone, what is open work."""
    say = _Sayer(found, settings)
    calling = say.calling()
    new = {a.id for a in found.raised}
    still = [a for a in found.open if a.urgency == "note" and a.id not in new]
    notes = [a for a in [*still, *found.raised] if a.urgency == "note" and a.check != DUE_CHECK]
    night = [a for a in found.raised if a.urgency != "note"]
    parts = [
        Part("Needs someone", tuple(say.lasting(calling))),
        Part("Since the last note", (*say.told(night), *say.runs(), *say.watching())),
        Part("Notes", tuple(say.told(notes))),
        *say.open_work(),
    ]
    counted = [
        (len(calling), "needs you", "need you"),
        (len(night), "alert", "alerts"),
        (len(notes), "note", "notes"),
        (found.unexplained_count, "unexplained", "unexplained"),
    ]
    title = f"Morning: {_counts(counted) or 'nothing to tell'}"
    wants = [calling, night, notes, found.unexplained, found.undelivered, found.silent_signals]
    worth = any(wants) or any(p.lines for p in parts[3:])
    return Report(title, found.from_us, found.to_us, _full(parts), worth)


def weekly(found: Happened, settings: Settings) -> Report:
    """What a week was like: use, alerts by check, causes found, open work, how much was told."""
    say = _Sayer(found, settings)
    alone = sum(a.state == "suppressed" for a in found.raised)
    counted = [
        (len(found.raised) - alone, "alert", "alerts"),
        (found.unexplained_count, "unexplained", "unexplained"),
        (len(found.undelivered), "not delivered", "not delivered"),
    ]
    parts = [
        Part("Use", (*say.runs(), *say.watching())),
        Part("Alerts by what they were", tuple(say.by_check())),
        Part("Load", tuple(say.load())),
        Part("Needs someone", tuple(say.lasting(say.calling()))),
        *say.open_work(),
        Part("Log", tuple(say.head())),
    ]
    title = f"Week: {_counts(counted) or 'nothing to tell'}"
    return Report(title, found.from_us, found.to_us, _full(parts))


def text_of(report: Report, calendar: Calendar) -> str:
    """A report as plain text, for e-mail."""
    head = f"{calendar.text(report.from_us)[:16]} to {calendar.text(report.to_us)[:16]}"
    blocks = [
        "\n".join([f"{part.heading}:", *(f"- {line.text}" for line in part.lines)])
        for part in report.parts
    ]
    return "\n\n".join([head, *blocks])


class _Sayer:
    """Makes the lines of one span."""

    def __init__(self, found: Happened, settings: Settings) -> None:
        self._found, self._calendar = found, settings.calendar
        self._names = {m.id: m.name for m in settings.machines} | {CONDMON: "condmon"}

    def calling(self) -> list[Alert]:
        """Open alerts that want someone; notes never do."""
        laid_aside = {"shelved", "suppressed", "out_of_service"}
        order = sorted(self._found.open, key=lambda a: (a.urgency != "now", a.raised_us))
        return [a for a in order if a.urgency != "note" and a.state not in laid_aside]

    def lasting(self, alerts: Sequence[Alert]) -> Iterator[Line]:
        for a in _some(alerts):
            seen = f", seen by {a.acknowledged_by}" if a.acknowledged_by else ", seen by nobody"
            since = f"since {self._when(a.began_us)}"
            if a.ended_us is not None:
                since = f"was there for {span((a.ended_us - a.began_us) / SECOND_US)}, is over"
            yield Line(f"{a.machine_name} {a.urgency.upper()}: {a.title}, {since}{seen}", a.id)
        yield from _rest(alerts)

    def told(self, alerts: Sequence[Alert]) -> Iterator[Line]:
        for a in _some(alerts):
            went = "still there"
            if a.ended_us is not None:
                went = f"over after {span((a.ended_us - a.began_us) / SECOND_US)}"
            cause = f"; cause: {a.cause}" if a.cause else ""
            yield Line(
                f"{self._when(a.raised_us)} {a.machine_name}: {a.title}, {went}{cause}", a.id
            )
        yield from _rest(alerts)

    def runs(self) -> Iterator[Line]:
        """How long each machine was at each duty."""
        found = self._found
        hours = hours_by_duty(found.duties, found.from_us, found.to_us, found.blind)
        for machine, duties in hours.items():
            told = ", ".join(f"{duty} {span(s)}" for duty, s in duties.items())
            yield Line(f"{self._names.get(machine, machine)}: {told}")

    def watching(self) -> Iterator[Line]:
        """Where condmon or a source was away."""
        gaps = [e for e in self._found.entries if e.kind in {"gap", "start"}]
        for entry in _some(gaps):
            yield Line(f"{self._when(entry.at_us)} {entry.text}")
        yield from _rest(gaps)

    def head(self) -> Iterator[Line]:
        """The head of the log: kept in a mailbox, it later shows a log that was made anew."""
        if self._found.head:
            yield Line(f"Keep this: `condmon log verify --head {self._found.head}` later shows "
                       "whether the log up to here is as it was written")  # fmt: skip

    def by_check(self) -> Iterator[Line]:
        counts = Counter((a.machine_name, a.title) for a in self._found.raised)
        for (machine, title), times in counts.most_common(LINES_MAX):
            yield Line(f"{machine}: {title}{f', {times} times' if times > 1 else ''}")

    def load(self) -> Iterator[Line]:
        """How many alerts people had to take in, against what is published as bearable."""
        found = self._found
        told = [a.raised_us for a in found.raised if a.urgency != "note"]
        days = max(1.0, (found.to_us - found.from_us) / (86400 * SECOND_US))
        yield Line(
            f"{len(told) / days:.1f} alerts a day, at most {busiest(told, 600)} within 10 minutes; "
            f"one person keeps up with about {LOAD_BOUND_A_DAY} a day and "
            f"{LOAD_BOUND_IN_TEN_MIN} within 10 minutes (EEMUA 191, ISA-18.2)"
        )

    def open_work(self) -> list[Part]:
        """What is the same in both: what was written, open work, sensors, messages."""
        found = self._found
        calling = {a.id for a in self.calling()}
        due = [a for a in found.open if a.check == DUE_CHECK and a.id not in calling]
        return [
            Part("Written by people", tuple(self._written())),
            Part("Unexplained", tuple(self._unexplained())),
            Part("Due", tuple(self.lasting(due))),
            Part("Sensors", tuple(self._sensors())),
            Part("Messages that did not get through", tuple(self._undelivered())),
        ]

    def _written(self) -> Iterator[Line]:
        kept = [
            e
            for e in self._found.entries
            if (e.kind == "service" or e.facts.get("do") in {"note", "cause"})
            and e.machine != CONDMON
        ]
        for entry in _some(kept):
            by = f" ({entry.facts['by']})" if entry.facts.get("by") else ""
            name = self._names.get(entry.machine, entry.machine)
            alert = str(entry.facts.get("alert") or "")
            yield Line(f"{self._when(entry.at_us)} {name}: {entry.text}{by}", alert)
        yield from _rest(kept)

    def _unexplained(self) -> Iterator[Line]:
        found = self._found
        for a in found.unexplained[:OLDEST_SHOWN]:
            old = span((found.to_us - (a.ended_us or a.raised_us)) / SECOND_US)
            yield Line(f"{a.machine_name}: {a.title}, over for {old} without a cause", a.id)
        more = found.unexplained_count - len(found.unexplained[:OLDEST_SHOWN])
        if more > 0:
            yield Line(f"and {more} more")

    def _sensors(self) -> Iterator[Line]:
        for text in self._found.silent_signals:
            yield Line(text)
        kept = [e for e in self._found.entries if e.kind in SENSOR_KINDS]
        for entry in _some(kept):
            name = self._names.get(entry.machine, entry.machine)
            yield Line(f"{self._when(entry.at_us)} {name}: {entry.text}")
        yield from _rest(kept)

    def _undelivered(self) -> Iterator[Line]:
        for one in _some(self._found.undelivered):
            word = "failed" if one.failed else "waits"
            why = f": {one.why}" if one.why else ""
            yield Line(f"{one.way}: {one.title}, {word}{why}")
        yield from _rest(self._found.undelivered)

    def _when(self, at_us: int) -> str:
        text = self._calendar.text(at_us)
        same_day = text[:10] == self._calendar.text(self._found.to_us)[:10]
        return text[11:16] if same_day else text[5:16]


def _some(rows: Sequence[T]) -> Sequence[T]:
    return rows[-LINES_MAX:]


def _rest(rows: Sequence[object]) -> Iterator[Line]:
    if len(rows) > LINES_MAX:
        yield Line(f"and {len(rows) - LINES_MAX} older ones")


def _full(parts: Sequence[Part]) -> tuple[Part, ...]:
    return tuple(part for part in parts if part.lines)


def _counts(counted: Sequence[tuple[int, str, str]]) -> str:
    return ", ".join(f"{n} {one if n == 1 else many}" for n, one, many in counted if n)
