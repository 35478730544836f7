"""Visits, series and return-to-service runs as rows of JSON and as lines for people."""

from collections.abc import Mapping
from typing import Any

from condmon.clock import rfc3339
from condmon.engine.servicebook.series import Series
from condmon.engine.servicebook.visits import Visit
from condmon.engine.settings import Calendar
from condmon.engine.trial.points import STEPS
from condmon.engine.words import number, shown

LAST = 12
CAUTION = (
    "condmon only watches: a quiet screen is no proof that the machine is safe. Lock out and tag "
    "before reaching in; relieve stored air and hydraulic pressure; a spindle may be hot and coast."
)


def visit_row(visit: Visit) -> dict[str, Any]:
    """A visit as JSON."""
    last = visit.verdicts[-1] if visit.verdicts else None
    return {
        "kind": "visit", "key": visit.key, "machine": visit.machine, "title": visit.title,
        "state": visit.state, "who": visit.who, "text": visit.text,
        "planned": _when(visit.planned_us), "planned_for": _when(visit.for_us),
        "begun": _when(visit.begun_us), "ended": _when(visit.ended_us),
        "evidence": visit.evidence, "spares": visit.spares,
        "parts": [
            {"name": p.name, "taken": p.taken, "used": p.used, "returned": p.returned,
             "text": p.text} for p in visit.parts
        ],
        "findings": [
            {"at": rfc3339(f[0]), "by": f[1], "text": f[2], "photo": f[3]} for f in visit.findings
        ],
        "verdict": None if last is None else {**last, "at_us": None, "at": _when(last["at_us"])},
        "signed": _when(visit.signed_us), "signed_by": visit.signed_by,
        "signed_open": visit.signed_open,
    }  # fmt: skip


def _when(at_us: int) -> str | None:
    return rfc3339(at_us) if at_us else None


def visit_line(visit: Visit, calendar: Calendar) -> str:
    """A visit in one line."""
    at_us = visit.signed_us or visit.ended_us or visit.begun_us or visit.planned_us
    verdict = f", run: {visit.verdicts[-1]['verdict']}" if visit.verdicts else ""
    when = calendar.text(at_us)[:16]
    return f"{visit.key:20} {visit.machine:10} {visit.state:8} {when}  {visit.title}{verdict}"


def visit_words(visit: Visit, calendar: Calendar) -> str:
    """A visit with all that is known of it."""
    lines = [visit_line(visit, calendar)]
    if visit.who or visit.text:
        lines.append(f"  {', '.join(t for t in (visit.who, visit.text) if t)}")
    lines += evidence_words(visit.evidence, visit.spares)
    if visit.parts:
        lines.append("Parts")
        lines += [
            f"  {p.name}: {number(p.taken)} taken, {number(p.used)} used, "
            f"{number(p.returned)} returned" + (f" ({p.text})" if p.text else "")
            for p in visit.parts
        ]
    if visit.findings:
        lines.append("Found")
        lines += [f"  {calendar.text(f[0])[:16]} {f[2]} ({f[1]})" for f in visit.findings]
    if visit.verdicts:
        lines += verdict_words(visit.verdicts[-1])
    if visit.signed_by:
        lines.append(f"Signed by {visit.signed_by}, {calendar.text(visit.signed_us)[:16]}")
        lines += [f"  open: {item}" for item in visit.signed_open]
    return "\n".join(lines)


def evidence_words(evidence: list[list[str]], spares: list[list[str]]) -> list[str]:
    """Evidence and spares with their reasons."""
    lines = ["Evidence"] if evidence else ["No evidence: nothing is open, unexplained or moving."]
    lines += [f"  {kind}: {text}" for kind, text in evidence]
    if spares:
        lines.append("Spares worth having at hand (common practice; the parts list decides)")
        lines += [f"  {part}\n    because: {why}" for part, why in spares]
    return lines


def verdict_words(verdict: Mapping[str, Any]) -> list[str]:
    """A judged run: the whole, each step, each figure that is not plainly good, what is open."""
    lines = [f"Return-to-service run: {verdict['verdict']}"]
    for step, word in verdict.get("steps", {}).items():
        lines.append(f"  {_title(step)}: {word}")
        lines += [f"    {finding_words(f)}" for f in verdict["findings"] if f["step"] == step]
    lines += [f"  {_title(s)}: not watched, look yourself" for s in verdict["not_watched"]]
    return lines


def _title(step: str) -> str:
    """The step in words; a verdict of another version may know steps that are not known here."""
    return STEPS[step].title if step in STEPS else step


def finding_words(finding: Mapping[str, Any]) -> str:
    """One figure of a run beside its baseline and what it was before the work."""
    unit = shown(finding["unit"])
    told = [
        f"{name}{number(finding[key])}{unit}"
        for key, name in (("now", ""), ("base", "baseline "), ("before", "before "))
        if finding[key] is not None
    ]
    return f"{finding['verdict']:11} {finding['words']}: {', '.join([*told, finding['why']])}"


def steps_words() -> list[str]:
    """What to do in a run, with the cautions."""
    lines = ["What to run, in any order; condmon watches and compares:"]
    for step in STEPS.values():
        lines.append(f"  {step.title}: {step.what_to_do}")
        if step.caution:
            lines.append(f"    Caution: {step.caution}")
    return [*lines, CAUTION]


def series_row(series: Series, *, whole: bool = False) -> dict[str, Any]:
    """A series as JSON; whole: with its values and limits."""
    waiting = series.open_steps()
    row: dict[str, Any] = {
        "kind": "series", "key": series.key, "machine": series.machine, "title": series.title,
        "unit": series.unit, "signal": series.signal, "values": len(series.values),
        "last": series.values[-1].value if series.values else None,
        "tolerance": series.tolerance, "out_of_tolerance": series.out_of_tolerance(),
        "asks": [
            {"at": rfc3339(series.values[s.row].at_us), "step": round(s.size, 6)} for s in waiting
        ],
    }  # fmt: skip
    if whole:
        chart = series.chart()
        row["limits"] = [phase._asdict() for phase in chart.phases]
        row["points"] = [
            {"at": rfc3339(v.at_us), "value": v.value, "by": v.by or "the machine", "when": v.when,
             "visit": v.visit, "out": bool(chart.out[i]), "drift": bool(chart.drift[i]),
             "ewma": None if chart.ewma[i] != chart.ewma[i] else round(float(chart.ewma[i]), 6)}
            for i, v in enumerate(series.values)
        ]  # fmt: skip
    return row


def series_line(series: Series) -> str:
    """A series in one line."""
    last = series.said(series.values[-1].value) if series.values else "no value yet"
    asks = ", asks: expected?" if series.open_steps() else ""
    beyond = ", out of tolerance" if series.out_of_tolerance() else ""
    return (
        f"{series.key:24} {series.machine:10} {series.title}: {last}, "
        f"{len(series.values)} values{beyond}{asks}"
    )


def series_words(series: Series, calendar: Calendar) -> str:
    """A series with its newest values and limits."""
    chart = series.chart()
    lines = [series_line(series)]
    lines += [
        f"  limits: {number(phase.low, 4)} to {number(phase.high, 4)}{shown(series.unit)} "
        f"around {number(phase.centre, 4)}, from {phase.base} values; "
        f"moving range up to {number(phase.mr_high, 4)}"
        for phase in chart.phases[-1:]
    ]
    for i, v in list(enumerate(series.values))[-LAST:]:
        marks = [
            w for w, on in (("beyond the limits", chart.out[i]), ("drift", chart.drift[i])) if on
        ]
        told = [t for t in (v.when and f"{v.when} the work", v.visit, v.by, *marks) if t]
        more = f" ({', '.join(told)})" if told else ""
        lines.append(f"  {calendar.text(v.at_us)[:16]}  {series.said(v.value)}{more}")
    return "\n".join(lines)
