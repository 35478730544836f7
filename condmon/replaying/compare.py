"""Two replays of the same time compared: which alerts only one has, which come earlier or later."""

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple, Self

from condmon.clock import rfc3339
from condmon.engine.outputs import Alert
from condmon.engine.records import SECOND_US
from condmon.engine.settings import Calendar
from condmon.engine.words import span
from condmon.replaying.told import DAY_US, WEEK_US, Told

SAME_US = SECOND_US
"""Onsets that lie no further apart are the same."""

Row = dict[str, Any]


class Raised(NamedTuple):
    """What counts of an alert when two are compared."""

    machine: str
    check: str
    signals: tuple[str, ...]
    urgency: str
    began_us: int
    raised_us: int
    ended_us: int | None
    title: str

    @classmethod
    def of(cls, alert: Alert) -> Self:
        """Take it from an alert."""
        return cls(
            alert.machine, alert.check, tuple(alert.signals), alert.urgency,
            alert.began_us, alert.raised_us, alert.ended_us, alert.title,
        )  # fmt: skip


class Said(NamedTuple):
    """What one configuration says of a span of time."""

    alerts: tuple[Raised, ...]
    messages: int
    records: int
    span_us: int  # how much time was replayed

    @classmethod
    def of(cls, told: Told) -> Self:
        """Take it from a finished replay."""
        alerts = tuple(Raised.of(alert) for alert in told.in_order())
        span_us = max(0, told.last_us - told.first_us)
        return cls(alerts, len(told.messages), told.records, span_us)

    @classmethod
    def joined(cls, parts: Iterable[Self]) -> Self:
        """All of several spans."""
        alerts: list[Raised] = []
        messages = records = span_us = 0
        for part in parts:
            alerts += part.alerts
            messages, records = messages + part.messages, records + part.records
            span_us += part.span_us
        alerts.sort(key=lambda one: (one.raised_us, one.machine, one.check, one.signals))
        return cls(tuple(alerts), messages, records, span_us)

    @property
    def messages_a_week(self) -> float:
        """Messages scaled to a week; of less than a day, as if it had been one."""
        return self.messages * WEEK_US / max(self.span_us, DAY_US)


class Pair(NamedTuple):
    """An alert here and what answers to it there; one of them may be missing."""

    here: Raised | None
    there: Raised | None

    @property
    def what(self) -> str:
        """How they differ, as seen from here."""
        if self.there is None:
            return "only_here"
        if self.here is None:
            return "only_there"
        later_us = self.there.raised_us - self.here.raised_us
        if later_us < -SAME_US:
            return "earlier_there"
        if later_us > SAME_US:
            return "later_there"
        return "same" if self.here.urgency == self.there.urgency else "other_urgency"

    @property
    def first(self) -> Raised:
        """The one there is, here's before there's."""
        one = self.here or self.there
        assert one is not None
        return one


def pairs(here: Sequence[Raised], there: Sequence[Raised]) -> list[Pair]:
    """Alerts of the same check on the same machine that overlap in time, matched nearest onset."""
    left: dict[tuple[str, str], list[Raised]] = {}
    for one in there:
        left.setdefault((one.machine, one.check), []).append(one)
    out = []
    for one in here:
        others = left.get((one.machine, one.check), [])
        near = [other for other in others if _answers(one, other)]
        best = min(near, key=lambda other: abs(other.began_us - one.began_us), default=None)
        if best is not None:
            others.remove(best)
        out.append(Pair(one, best))
    out += [Pair(None, one) for others in left.values() for one in others]
    return sorted(out, key=lambda pair: (pair.first.raised_us, pair.first[:3]))


def _answers(one: Raised, other: Raised) -> bool:
    forever = 2**62
    overlap = one.began_us <= (other.ended_us or forever) and other.began_us <= (
        one.ended_us or forever
    )
    common = set(one.signals) & set(other.signals)
    return overlap and bool(common or not one.signals or not other.signals)


def rows(here: Said, there: Said) -> list[Row]:
    """One row a difference, and one that counts them, last."""
    found = pairs(here.alerts, there.alerts)
    out = [_row(pair) for pair in found if pair.what != "same"]
    counts = {"same": sum(pair.what == "same" for pair in found)}
    for name in ("only_here", "only_there", "earlier_there", "later_there", "other_urgency"):
        counts[name] = sum(row["what"] == name for row in out)
    total = {"kind": "comparison", **counts, "days": round(here.span_us / DAY_US, 2)}
    return [*out, total | {"here": _totals(here), "there": _totals(there)}]


def _totals(said: Said) -> Row:
    return {
        "alerts": len(said.alerts),
        "messages": said.messages,
        "messages_a_week": round(said.messages_a_week, 2),
    }


def _row(pair: Pair) -> Row:
    here, there, first = pair.here, pair.there, pair.first
    row: Row = {
        "kind": "difference", "what": pair.what, "machine": first.machine, "check": first.check,
        "signals": list(first.signals), "title": first.title,
        "raised_here": here and rfc3339(here.raised_us),
        "raised_there": there and rfc3339(there.raised_us),
        "urgency_here": here and here.urgency, "urgency_there": there and there.urgency,
    }  # fmt: skip
    if here and there:
        row["later_s"] = (there.raised_us - here.raised_us) / SECOND_US
    return row


_HEADS = {
    "only_here": "Alerts only with {here}",
    "only_there": "Alerts only with {there}",
    "earlier_there": "Earlier with {there}",
    "later_there": "Later with {there}",
    "other_urgency": "Of another urgency with {there}",
}


def differences(here: Said, there: Said, names: tuple[str, str], calendar: Calendar) -> str:
    """Write what differs, kind by kind; empty where nothing does."""
    found = pairs(here.alerts, there.alerts)
    page: list[str] = []
    for what, head in _HEADS.items():
        lines = [_line(pair, calendar) for pair in found if pair.what == what]
        if lines:
            page += [head.format(here=names[0], there=names[1]) + f": {len(lines)}", *lines, ""]
    return "\n".join(page)


def readable(here: Said, there: Said, names: tuple[str, str], calendar: Calendar) -> str:
    """Write the comparison for people; `names` are what the two are called."""
    differ = differences(here, there, names, calendar)
    page = [differ or "No difference: the same alerts at the same times.\n"]
    same = sum(pair.what == "same" for pair in pairs(here.alerts, there.alerts))
    page.append(f"The same with both: {same}. Over {here.span_us / DAY_US:.1f} days:")
    for name, said in zip(names, (here, there), strict=True):
        page.append(
            f"  {name}: {len(said.alerts)} alerts, {said.messages} messages, "
            f"{said.messages_a_week:.1f} messages a week"
        )
    return "\n".join(page)


def _line(pair: Pair, calendar: Calendar) -> str:
    one = pair.first
    words = f"  {calendar.text(one.raised_us)}  {one.machine}  {one.check}: {one.title}"
    if pair.here and pair.there:
        later_s = (pair.there.raised_us - pair.here.raised_us) / SECOND_US
        if later_s:
            words += f" ({span(abs(later_s))} {'later' if later_s > 0 else 'earlier'})"
        if pair.here.urgency != pair.there.urgency:
            words += f" ({pair.here.urgency} becomes {pair.there.urgency})"
    return words
