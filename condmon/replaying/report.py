"""`--report`: a replay as one page that needs nothing else: alerts, spans, signals' courses."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from markupsafe import Markup

from condmon import __version__
from condmon.engine.outputs import Alert
from condmon.engine.records import SECOND_US
from condmon.engine.settings import Machine, Signal
from condmon.engine.words import span
from condmon.errors import CondmonError, UsageError
from condmon.ledger.traces import laid, overlay, words
from condmon.replaying.course import Courses
from condmon.replaying.told import Told
from condmon.web.charts import Band, axis, chart
from condmon.web.rings import Strip
from condmon.web.wording import Wording

AROUND_US = 3600 * SECOND_US
"""Shown before an alert began; as much or its own length after."""

POINTS = 720
ALERTS_MAX = 200
HOLD_US = 900 * SECOND_US
BAR, BAR_GAP, BARS_WIDE = 14, 6, 1000
_STYLE = (Path(__file__).parent / "report.css").read_text(encoding="utf-8")
_DRAWN = {"measure", "state", "calibration"}


def new_file(path: Path) -> None:
    """Look, before the work, whether the report can be written. Raises UsageError."""
    if path.exists():
        raise UsageError(f"{path} is already there; a report is never written over. Choose another "
                         "name.")  # fmt: skip
    if not path.parent.is_dir():
        raise UsageError(f"{path.parent}: there is no such folder for the report")


def write(
    path: Path, told: Told, courses: Courses, summary: Mapping[str, Any], about: Sequence[str],
    compared: str = "",
) -> None:  # fmt: skip
    """Write the page. Raises CondmonError where the disk refuses.

    Parameters
    ----------
    about : sequence of str
        Lines below the title: what was replayed, under which configuration.
    compared : str
        What another configuration would have said; empty where none was asked.
    """
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(str(page(told, courses, summary, about, compared)))
    except OSError as error:
        raise CondmonError(f"cannot write {path}: {error.strerror or error}") from error


def page(
    told: Told, courses: Courses, summary: Mapping[str, Any], about: Sequence[str], compared: str
) -> Markup:
    """The whole page as HTML."""
    settings = told.settings
    wording = Wording(settings.calendar, told.last_us)
    alerts = told.in_order()
    title = f"Replay of {settings.site}"
    body = Markup("<h1>{}</h1>").format(title)
    body += Markup("").join(Markup("<p>{}</p>").format(line) for line in about)
    body += Markup(
        "<p>From {} to {} by the clock of the site. Machine seconds: {:,}. Samples: {:,}, put "
        "aside: {:,}. Alerts: {}. Messages: {}.</p>"
    ).format(
        wording.whole(told.first_us), wording.whole(told.last_us), summary["ticks"],
        summary["samples"], summary["refused"], len(alerts), summary["messages"],
    )  # fmt: skip
    if not summary["complete"]:
        body += Markup("<p class=warn>A file was cut off or damaged: this is what came before.</p>")
    body += _timeline(alerts, told, wording)
    if compared:
        body += Markup("<h2>Compared</h2><pre>{}</pre>").format(compared)
    body += Markup("<h2>Alerts</h2>") + (Markup("") if alerts else Markup("<p>No alert.</p>"))
    for alert in alerts[:ALERTS_MAX]:
        body += _alert(alert, told, courses, wording)
    if len(alerts) > ALERTS_MAX:
        body += Markup("<p>And {} more, which are not shown.</p>").format(len(alerts) - ALERTS_MAX)
    body += _messages(told, wording)
    for machine in settings.machines:
        if told.shows(machine.id):
            body += _machine(machine, alerts, told, courses, wording)
    body += Markup(
        "<footer><p>Made by condmon {}. condmon only watches; it is no safety device, and its "
        "silence proves nothing. Before hands go into a machine: lock out and tag; relieve stored "
        "air and hydraulic pressure; wait until the spindle has stopped, it coasts and may be hot. "
        "Local rules and the maker's manual come first.</p></footer>"
    ).format(__version__)
    return Markup(
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        "<title>{}</title><style>{}</style></head><body><main>{}</main></body></html>\n"
    ).format(title, Markup(_STYLE), body)  # noqa: S704 - our own file


def _timeline(alerts: Sequence[Alert], told: Told, wording: Wording) -> Markup:
    """All alerts over time, a bar each, in the order in which they were raised."""
    if not alerts:
        return Markup("")
    length_us = max(1, told.last_us - told.first_us)
    rows = Markup("")
    for alert in alerts[:ALERTS_MAX]:
        a = max(0.0, (alert.began_us - told.first_us) / length_us * BARS_WIDE)
        b = ((alert.ended_us or told.last_us) - told.first_us) / length_us * BARS_WIDE
        said = f"{wording.whole(alert.began_us)} {_lasted(alert)}"
        rows += Markup(
            '<tr><td><a href="#{}">{}</a></td><td>{}</td><td class=bars>'
            '<svg viewBox="0 0 {} {}" preserveAspectRatio="none" role="img" aria-label="{}">'
            '<rect class="u-{}" x="{:.1f}" y="{}" width="{:.1f}" height="{}"/></svg></td></tr>'
        ).format(
            alert.id, alert.title, alert.machine, BARS_WIDE, BAR + BAR_GAP, said, alert.urgency,
            a, BAR_GAP // 2, max(b - a, 3.0), BAR,
        )  # fmt: skip
    return Markup(
        "<h2>When</h2><table class=when><thead><tr><th>Alert</th><th>Machine</th><th>{} to {}"
        "</th></tr></thead><tbody>{}</tbody></table>"
    ).format(wording.whole(told.first_us), wording.whole(told.last_us), rows)


def _lasted(alert: Alert) -> str:
    if alert.ended_us is None:
        return "not ended"
    return "for " + span((alert.ended_us - alert.began_us) / SECOND_US)


def _alert(alert: Alert, told: Told, courses: Courses, wording: Wording) -> Markup:
    when = f"Began {wording.whole(alert.began_us)}, raised {wording.whole(alert.raised_us)}, "
    when += _lasted(alert) if alert.ended_us is None else f"lasted {_lasted(alert)[4:]}"
    parts = [
        Markup('<section id="{}" class="u-{}"><h3>{}: {}</h3>').format(
            alert.id, alert.urgency, alert.machine_name or alert.machine, alert.title
        ),
        Markup("<p><b>{}</b> · check {} · {}</p><p>{}</p>").format(
            alert.urgency, alert.check, when, alert.what
        ),
        Markup("<p>Why it matters: {}</p>").format(alert.why) if alert.why else "",
        _first(alert.look_first),
        Markup("<p>If nobody acts: {}</p>").format(alert.if_nobody) if alert.if_nobody else "",
        Markup("<p class=warn>Caution: {}</p>").format(alert.caution) if alert.caution else "",
    ]
    ended_us = alert.ended_us or told.last_us
    after_us = min(max(AROUND_US, ended_us - alert.began_us), 6 * AROUND_US)
    from_us = max(told.first_us, alert.began_us - AROUND_US)
    to_us = min(told.last_us, ended_us + after_us)
    machine = next((m for m in told.settings.machines if m.id == alert.machine), None)
    named = [s for s in machine.signals if s.name in alert.signals] if machine else []
    band = Band(alert.began_us, ended_us, "alert", alert.title)
    parts += [_drawn(signal, courses, from_us, to_us, [band], wording) for signal in named]
    if machine:
        parts += [_strokes(machine, signal, alert, told, courses) for signal in named]
    return Markup("").join([*parts, Markup("</section>")])


def _first(steps: Sequence[str]) -> Markup:
    if not steps:
        return Markup("")
    rows = Markup("").join(Markup("<li>{}</li>").format(step) for step in steps)
    return Markup("<p>Look at this first:</p><ol>{}</ol>").format(rows)


def _messages(told: Told, wording: Wording) -> Markup:
    if not told.messages:
        return Markup("")
    rows = Markup("").join(
        Markup("<tr><td>{}</td><td>{}</td><td>{}</td></tr>").format(
            wording.whole(message.at_us), message.kind, message.title
        )
        for message in told.messages
    )
    return Markup("<h2>Messages that would have been sent</h2><table>{}</table>").format(rows)


def _machine(
    machine: Machine, alerts: Sequence[Alert], told: Told, courses: Courses, wording: Wording
) -> Markup:
    bands = [
        Band(a.began_us, a.ended_us or told.last_us, "alert", a.title)
        for a in alerts
        if a.machine == machine.id
    ]
    drawn = Markup("").join(
        _drawn(signal, courses, told.first_us, told.last_us, bands, wording)
        for signal in machine.signals
        if signal.kind in _DRAWN
    )
    strokes = Markup("").join(_strokes(machine, s, None, told, courses) for s in machine.signals)
    return Markup("<h2>{}: every signal, alerts shaded</h2><div class=all>{}</div>{}").format(
        machine.name, drawn, strokes
    )


def _strokes(
    machine: Machine, signal: Signal, alert: Alert | None, told: Told, courses: Courses
) -> Markup:
    """A stroke laid over the last good one and its siblings; empty for what is no trace."""
    found = laid(courses.traces[machine.id], machine, signal, alert)
    if found is None:
        return Markup("")
    return Markup("<figure><figcaption>{} <small>{}</small></figcaption>{}</figure>").format(
        signal.label(), words(found, signal, told.settings.calendar), overlay(found, signal)
    )


def _drawn(
    signal: Signal, courses: Courses, from_us: int, to_us: int, bands: Sequence[Band],
    wording: Wording,
) -> Markup:  # fmt: skip
    if signal.kind not in _DRAWN or to_us <= from_us:
        return Markup("")
    hold_us = HOLD_US if signal.kind != "state" else 2**62
    strip = _coarse(courses.strip(signal.index, from_us, to_us, hold_us))
    made = chart(signal, strip, from_us, to_us, bands, wording)
    ends = axis(signal, made.scale) if made.known else ("", "")
    return Markup(
        "<figure><figcaption>{} <small>{}</small></figcaption><div class=plot><span class=ends>"
        "<span>{}</span><span>{}</span></span>{}</div><p class=ends><span>{}</span><span>{}</span>"
        "</p></figure>"
    ).format(
        signal.label(), made.words, *ends, made.svg, wording.whole(from_us), wording.whole(to_us)
    )


def _coarse(strip: Strip) -> Strip:
    """No more columns than can be seen."""
    import numpy as np

    fold = -(-len(strip.low) // POINTS)
    if fold <= 1:
        return strip
    pad = -len(strip.low) % fold
    low, high = (
        np.append(side, np.full(pad, np.nan)).reshape(-1, fold) for side in (strip.low, strip.high)
    )
    return Strip(
        strip.from_us, strip.step_us * fold,
        np.fmin.reduce(low, axis=1), np.fmax.reduce(high, axis=1),
    )  # fmt: skip
