"""What `condmon replay` prints: one JSON object a line, or a page for people."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
import orjson

from condmon.clock import rfc3339
from condmon.engine.outputs import Alert, Entry, Judged, Message
from condmon.engine.records import GOOD, MARKS, QUALITIES, REASONS, TIME_UNREADABLE
from condmon.engine.settings import Calendar, Settings
from condmon.engine.words import span

Row = dict[str, object]


def alert_row(alert: Alert) -> Row:
    """One alert in its last state."""
    return {
        "kind": "alert", "id": alert.id, "machine": alert.machine, "check": alert.check,
        "signals": list(alert.signals), "urgency": alert.urgency,
        "began": rfc3339(alert.began_us), "raised": rfc3339(alert.raised_us),
        "ended": None if alert.ended_us is None else rfc3339(alert.ended_us),
        "title": alert.title,
    }  # fmt: skip


def message_row(message: Message) -> Row:
    """One message that would have reached a person; `told` says why it goes out."""
    return {
        "kind": "message", "id": message.id, "at": rfc3339(message.at_us), "told": message.kind,
        "step": message.step, "urgency": message.urgency, "machine": message.machine,
        "alerts": list(message.alerts), "title": message.title, "text": message.text,
    }  # fmt: skip


def entry_row(entry: Entry) -> Row:
    """One line of the event log; `about` is its kind."""
    return {
        "kind": "entry", "id": entry.id, "at": rfc3339(entry.at_us), "machine": entry.machine,
        "about": entry.kind, "text": entry.text, "facts": dict(entry.facts),
    }  # fmt: skip


def sample_rows(judged: Judged, settings: Settings, machine: str | None) -> Iterator[Row]:
    """Samples as they were taken; the value is null where it is not to be relied on.

    A good value whose source gave a time that cannot be read is suspect and keeps its number.
    """
    signals, run = settings.signals, judged.samples
    wanted = np.array([machine in {None, s.machine} for s in signals] or [False], bool)
    for row in np.flatnonzero(wanted[run.signal]).tolist():
        signal = signals[int(run.signal[row])]
        quality, mark = int(run.quality[row]), int(run.mark[row])
        kept = quality == GOOD or (mark & TIME_UNREADABLE and not run.reason[row])
        value = float(run.value[row]) if kept else None
        yield {
            "kind": "sample", "time": rfc3339(int(judged.at_us[row])), "machine": signal.machine,
            "signal": signal.name, "value": value, "quality": QUALITIES[quality],
            "reason": REASONS[int(run.reason[row])],
            "marks": [text for bit, text in MARKS.items() if mark & bit],
        }  # fmt: skip


def lines(rows: Iterable[Row], *, as_json: bool) -> Iterator[str]:
    """Print rows one a line: as JSON, or as plain text."""
    for row in rows:
        if as_json:
            yield orjson.dumps(row, option=orjson.OPT_APPEND_NEWLINE).decode()
        elif row["kind"] == "entry":
            yield f"{row['at']}  {row['machine']}  {row['about']}: {row['text']}\n"
        elif row["kind"] == "alert":
            over = f"over since {row['ended']}" if row["ended"] else f"since {row['began']}"
            yield f"{row['raised']}  {row['machine']}  {row['urgency']}: {row['title']}, {over}\n"
        elif row["kind"] == "message":
            yield f"{row['at']}  {row['machine']}  message ({row['told']}): {row['title']}\n"
        else:
            yield _sample(row)


def _sample(row: dict[str, Any]) -> str:
    value = "-" if row["value"] is None else f"{row['value']:g}"
    notes = ", ".join([text for text in (row["reason"], *row["marks"]) if text])
    return (
        f"{row['time']}  {row['machine']}  {row['signal']}  {value}  {row['quality']}"
        + (f" ({notes})" if notes else "")
        + "\n"
    )


def readable(
    alerts: Sequence[Alert], messages: Sequence[Message], summary: Row, settings: Settings
) -> str:
    """Write the page for people: alerts, messages, totals; times are the site's own."""
    calendar = settings.calendar
    page = [_alert(alert, calendar) for alert in alerts] or ["No alert.\n"]
    if messages:
        page.append(f"Messages that would have been sent: {len(messages)}")
        page += [f"  {calendar.text(m.at_us)}  {m.kind}: {m.title}" for m in messages]
        page.append("")
    page.append(_totals(summary))
    return "\n".join(page)


def _alert(alert: Alert, calendar: Calendar) -> str:
    began = calendar.text(alert.began_us)
    if alert.ended_us is None:
        when = f"since {began}, not ended"
    else:
        lasted = span((alert.ended_us - alert.began_us) / 1e6)
        when = f"{began} to {calendar.text(alert.ended_us)} ({lasted})"
    again = f", came back {alert.count} times" if alert.count > 1 else ""
    parts = [
        f"{alert.urgency.upper()}  {alert.machine_name or alert.machine}: {alert.title}",
        f"  {when}{again}; raised {calendar.text(alert.raised_us)}; check {alert.check}",
        f"  What: {alert.what}",
        f"  Why it matters: {alert.why}" if alert.why else "",
        "  Look at this first:" if alert.look_first else "",
        *(f"    {number}. {text}" for number, text in enumerate(alert.look_first, 1)),
        f"  If nobody acts: {alert.if_nobody}" if alert.if_nobody else "",
        f"  Caution: {alert.caution}" if alert.caution else "",
    ]
    return "\n".join(part for part in parts if part) + "\n"


def _totals(summary: dict[str, Any]) -> str:
    rate = summary["samples"] / max(summary["seconds"], 0.001)
    parts = [
        (
            f"{summary['samples']:,} samples in {summary['seconds']:.1f} s ({rate:,.0f}/s), "
            f"{summary['ticks']:,} machine seconds. Alerts: {summary['alerts']}, "
            f"messages: {summary['messages']}, log entries: {summary['entries']}."
        )
    ]
    if summary["refused"]:
        reasons = ", ".join(f"{count:,} {why}" for why, count in summary["reasons"].items())
        parts.append(f"Samples put aside: {summary['refused']:,} ({reasons}).")
    if not summary["complete"]:
        parts.append("A file was cut off or damaged: this is what came before.")
    return "\n".join(parts)
