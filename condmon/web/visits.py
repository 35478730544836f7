"""Pages of visits: plan with evidence, work, what was found and used, the run after, signing."""

import json
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from fastapi import APIRouter, File, Form, HTTPException, Request, UploadFile
from fastapi.responses import Response
from markupsafe import Markup

from condmon.engine.outputs import Entry
from condmon.engine.records import Filed
from condmon.engine.servicebook.fields import key_from
from condmon.engine.servicebook.visits import Visit
from condmon.engine.trial.points import STEPS
from condmon.engine.words import number, shown
from condmon.web.parts import Parts, back_to, needs, parts_of, phone_of
from condmon.web.parts import shown as page
from condmon.web.photos import Photos
from condmon.web.servicecharts import overlay

router = APIRouter(include_in_schema=False)

Key = Annotated[str, Form(max_length=64)]
Line = Annotated[str, Form(max_length=80)]
Text = Annotated[str, Form(max_length=600)]
Amount = Annotated[str, Form(max_length=20)]
Do = Literal["visit_begun", "visit_ended", "part", "finding", "trial", "checked", "signed"]
STATES = {
    "planned": "planned",
    "open": "work is going on",
    "ended": "work is over, not signed for",
    "signed": "signed for",
}
MARKS = {"pass": "\u2713", "fail": "\u2717", "cannot tell": "?"}


@router.get("/visits")
@needs("viewer")
def visits_page(request: Request) -> Response:
    """All visits, the newest first, and a form to plan one."""
    parts = parts_of(request)
    known = parts.shelf.read().book.visits.known
    return page(request, "visits.html", visits=list(reversed(known.values())), states=STATES,
                machines=parts.settings.machines)  # fmt: skip


@router.post("/visits")
@needs("operator")
def plan_visit(
    request: Request, machine: Key, title: Line, who: Line = "", text: Text = ""
) -> Response:
    """Plan a visit; condmon gathers the evidence."""
    parts = parts_of(request)
    key = key_from(title, parts.shelf.read().book.visits.known)
    entry = file(request, machine, "visit", key, {"title": title, "who": who, "text": text})
    return there(entry, f"/visits/{key}", "/visits")


@router.get("/visits/{key}")
@needs("viewer")
def visit_page(request: Request, key: str) -> Response:
    """One visit with everything that belongs to it."""
    parts = parts_of(request)
    book = parts.shelf.read().book
    visit = _visit(parts, key)
    measured = [
        (series, value)
        for series in book.series.of(visit.machine)
        for value in series.values
        if value.visit == key
    ]
    return page(
        request,
        "visit.html",
        visit=visit,
        machine=parts.machine(visit.machine),
        state=STATES[visit.state],
        steps=STEPS,
        marks_of=MARKS,
        last=visit.verdicts[-1] if visit.verdicts else None,
        figures=figures,
        number=number,
        traces=_traces(parts, visit),
        measured=measured,
        asked=[s for s in book.series.of(visit.machine) if s.open_steps()],
    )


@router.post("/visits/{key}")
@needs("operator")
def act_on_visit(
    request: Request,
    key: str,
    do: Annotated[Do, Form()],
    who: Line = "",
    name: Line = "",
    taken: Amount = "",
    used: Amount = "",
    returned: Amount = "",
    text: Text = "",
    photo: Annotated[UploadFile | None, File()] = None,
) -> Response:
    """Do one thing about a visit."""
    parts = parts_of(request)
    visit = _visit(parts, key)
    contents: dict[Do, dict[str, Any]] = {
        "visit_begun": {"who": who}, "visit_ended": {"text": text}, "signed": {"text": text},
        "finding": {"text": text}, "trial": {}, "checked": {},
        "part": {"name": name, **_amounts({"taken": taken, "used": used, "returned": returned})},
    }  # fmt: skip
    content = contents[do]
    if photo is not None and photo.filename and do == "finding":
        content["photo"] = Photos(parts.folder).keep(photo.file)
    entry = file(request, visit.machine, do, key, content)
    return back_to(f"/visits/{key}", entry.id if entry else "later")


def file(
    request: Request, machine: str, what: str, key: str, content: Mapping[str, Any]
) -> Entry | None:
    """File something under the name of whoever asks; the line of the log, None: not yet."""
    parts, by = parts_of(request), phone_of(request).account
    parts.machine(machine)
    kept = {name: value for name, value in content.items() if value != ""}
    text = json.dumps(kept, ensure_ascii=False)
    return parts.live.put(lambda at_us: Filed(at_us, machine, what, by, key, text))


def there(entry: Entry | None, made: str, instead: str) -> Response:
    """The page of what was made; where it was refused or is not written down yet, the list."""
    if entry is None:
        return back_to(instead, "later")
    return back_to(instead if entry.facts.get("refused") else made, entry.id)


def figures(finding: Mapping[str, Any]) -> str:
    """Now, baseline and before of a figure, as far as each is known."""
    unit = shown(finding["unit"])
    told = (("now", "now"), ("baseline", "base"), ("before", "before"))
    known = [f"{n} {number(finding[k])}{unit}" for n, k in told if finding[k] is not None]
    return " · ".join(known)


def _visit(parts: Parts, key: str) -> Visit:
    visit = parts.shelf.read().book.visits.known.get(key)
    if visit is None:
        raise HTTPException(404, "There is no such visit.")
    return visit


def _amounts(texts: Mapping[str, str]) -> dict[str, float]:
    """Numbers of parts as people write them; 400 in words for anything else."""
    found = {}
    for name, text in texts.items():
        if not text.strip():
            continue
        try:
            found[name] = float(text.replace(",", "."))
        except ValueError:
            raise HTTPException(400, f"{text!r} is no number of parts; write 1 or 2.") from None
    return found


def _traces(parts: Parts, visit: Visit) -> list[tuple[str, Markup]]:
    """Strokes laid over each other, one picture an axis."""
    if not visit.verdicts:
        return []
    shapes = visit.verdicts[-1].get("shapes", {})
    named = {s.name: s for s in parts.machine(visit.machine).signals}
    found = [
        (named[name].label(), overlay(named[name].label(), named[name].unit, strokes))
        for name, strokes in shapes.items()
        if name in named
    ]
    return [(label, svg) for label, svg in found if svg]
