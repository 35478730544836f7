"""A machine: what it is doing since when, its signals with their age, charts, checks."""

from typing import Any

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response

from condmon.engine.records import SECOND_US
from condmon.engine.settings import Machine
from condmon.engine.view import MachineView, SignalView
from condmon.web.charts import Band, Chart, axis, chart
from condmon.web.now import looks, machine_rows, sorted_alerts, trust
from condmon.web.parts import Parts, needs, parts_of, shown
from condmon.web.past import BUCKETS_MAX
from condmon.web.wording import Wording, reading, standing

router = APIRouter(include_in_schema=False)

SPANS = (
    ("15 min", 900),
    ("1 h", 3600),
    ("8 h", 8 * 3600),
    ("24 h", 86400),
    ("7 d", 7 * 86400),
    ("30 d", 30 * 86400),
)
SPAN_MIN_US, SPAN_MAX_US = 60 * SECOND_US, 92 * 86400 * SECOND_US
BANDS_MAX = 60
SPAN_S = 8 * 3600


@router.get("/machines")
@needs("viewer")
def machines_page(request: Request) -> Response:
    """All machines."""
    parts = parts_of(request)
    wording = parts.wording()
    rows = machine_rows(parts)
    return shown(
        request, "machines.html", wording=wording, trust=trust(parts, wording), machines=rows
    )


@router.get("/machines/{machine_id}")
@needs("viewer")
def machine_page(request: Request, machine_id: str, to: int = 0, span: int = SPAN_S) -> Response:
    """One machine; `to` (seconds of UTC, 0: now) and `span` (seconds) choose the charts' time."""
    parts = parts_of(request)
    machine = parts.machine(machine_id)
    wording = parts.wording()
    from_us, to_us = window(wording.now_us, to, span)
    bands = bands_of(parts, machine, from_us, to_us)
    charts = charts_of(parts, machine, from_us, to_us, bands, wording)
    with parts.reader() as reader:
        found = [a for a in reader.alerts(open_only=True) if a.machine == machine.id]
        seen = parts.live.seen()
        views = {m.id: m for m in seen.view.machines} if seen else {}
        duty = views[machine.id].duty if machine.id in views else ""
        normal = parts.normal.words(reader, machine, duty, wording.now_us)
    unseen, known, aside = sorted_alerts(found)
    return shown(
        request,
        "machine.html",
        wording=wording,
        trust=trust(parts, wording),
        machine=machine,
        view=views.get(machine.id),
        rows=rows_of(machine, views.get(machine.id), normal),
        alerts=[*unseen, *known, *aside],
        charts=charts,
        bands=bands,
        axis=axis,
        moves=moves(from_us, to_us, wording.now_us),
        spans=SPANS,
        span_s=(to_us - from_us) // SECOND_US,
        from_us=from_us,
        to_us=to_us,
        past=parts.past,
        looks=looks,
    )


def window(now_us: int, to_s: int, span_s: int) -> tuple[int, int]:
    """The charts' span, brought within what can be shown."""
    span_us = min(max(span_s * SECOND_US, SPAN_MIN_US), SPAN_MAX_US)
    oldest_us = now_us - SPAN_MAX_US
    to_us = now_us if to_s <= 0 else min(max(to_s * SECOND_US, oldest_us + SPAN_MIN_US), now_us)
    return max(to_us - span_us, oldest_us), to_us


def moves(from_us: int, to_us: int, now_us: int) -> dict[str, tuple[int, int]]:
    """(to, span) in seconds of what the buttons beside the charts lead to; 0: now."""
    span, to = (to_us - from_us) // SECOND_US, to_us // SECOND_US
    now = now_us // SECOND_US
    at_now = to_us >= now_us
    later = to + span // 2
    middle = to - span // 2
    return {
        "earlier": (to - span // 2, span),
        "later": (0 if later >= now else later, span),
        "closer": (0 if at_now else middle + span // 4, max(60, span // 2)),
        "wider": (0 if at_now or middle + span >= now else middle + span, span * 2),
        "now": (0, span),
    }


def bands_of(parts: Parts, machine: Machine, from_us: int, to_us: int) -> list[Band]:
    """Alerts and what people did, to be marked in the charts; the oldest first."""
    with parts.reader() as reader:
        alerts = reader.alerts_between(machine.id, from_us, to_us, BANDS_MAX)
        entries = reader.entries_between(machine.id, from_us, to_us, BANDS_MAX)
    bands = [Band(a.began_us, a.ended_us or to_us, "alert", a.title) for a in alerts]
    bands += [
        Band(e.at_us, e.at_us, "action", f"{e.facts.get('by', '')}: {e.text}")
        for e in entries
        if e.kind == "action" or (e.kind == "service" and e.facts.get("by"))
    ]
    return sorted(bands)


def charts_of(
    parts: Parts,
    machine: Machine,
    from_us: int,
    to_us: int,
    bands: list[Band],
    wording: Wording,
) -> list[Chart]:
    """A chart of each signal that has a course to show."""
    shown_ones = [s for s in machine.signals if s.kind in {"measure", "state", "calibration"}]
    strips = parts.past.strips([s.index for s in shown_ones], from_us, to_us, BUCKETS_MAX)
    return [
        chart(signal, strip, from_us, to_us, bands, wording)
        for signal, strip in zip(shown_ones, strips, strict=True)
    ]


def rows_of(
    machine: Machine, view: MachineView | None, normal: dict[str, str]
) -> list[dict[str, Any]]:
    """Each signal with its value, its trouble, when it was measured and what is normal for it."""
    if view is None:
        return []
    return [
        {
            "signal": signal,
            "seen": seen,
            "value": reading(signal, seen.value),
            "trouble": standing(seen),
            "old": seen.standing != "good",
            "normal": normal.get(signal.name, ""),
        }
        for signal, seen in zip(machine.signals, view.signals, strict=True)
    ]


def values_of(parts: Parts, machine_id: str, wording: Wording) -> dict[str, Any]:
    """What the open page of a machine shows for its signals now: value, age, trouble, outlook."""
    seen = parts.live.seen()
    machine = next((m for m in parts.settings.machines if m.id == machine_id), None)
    view = next((m for m in seen.view.machines if m.id == machine_id), None) if seen else None
    if machine is None or view is None:
        return {}
    return {
        signal.name: [reading(signal, one.value), _age(one, wording), standing(one), one.outlook]
        for signal, one in zip(machine.signals, view.signals, strict=True)
    }


def _age(seen: SignalView, wording: Wording) -> str:
    return f"{wording.age(seen.at_us)} ago" if seen.at_us is not None else "never"


def series_of(
    parts: Parts, machine_id: str, from_us: int, to_us: int, buckets: int
) -> dict[str, Any]:
    """The charts' columns for a script: low and high of each signal, null where not known."""
    machine = parts.machine(machine_id)
    wording = parts.wording()
    if to_us <= from_us:
        raise HTTPException(422, "The span ends before it begins.")
    to_us = min(to_us, wording.now_us)
    from_us = max(from_us, wording.now_us - SPAN_MAX_US, to_us - SPAN_MAX_US)
    if to_us - from_us < SECOND_US:
        return {"from_us": from_us, "to_us": to_us, "signals": []}
    ones = [s for s in machine.signals if s.kind in {"measure", "state", "calibration"}]
    strips = parts.past.strips([s.index for s in ones], from_us, to_us, buckets)
    bands = bands_of(parts, machine, from_us, to_us)
    rows = []
    for signal, strip in zip(ones, strips, strict=True):
        made = chart(signal, strip, from_us, to_us, (), wording)
        rows.append({
            "name": signal.name, "from_us": strip.from_us, "step_us": strip.step_us,
            "low": _plain(strip.low), "high": _plain(strip.high), "scale": list(made.scale),
            "axis": axis(signal, made.scale) if made.known else ("", ""),
            "words": made.words,
            "trip": signal.trip, "setpoint": signal.setpoint,
        })  # fmt: skip
    return {
        "from_us": from_us,
        "to_us": to_us,
        "from": wording.when(from_us),
        "to": wording.when(to_us),
        "signals": rows,
        "bands": [[b.from_us, b.to_us, b.kind] for b in bands],
    }


def _plain(column: Any) -> list[float | None]:
    return [None if v != v else float(f"{v:.5g}") for v in column.tolist()]
