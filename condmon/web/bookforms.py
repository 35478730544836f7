"""Forms of the service book: what people write about tasks and components, as records."""

import json
import re
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from fastapi import APIRouter, File, Form, HTTPException, Request, UploadFile
from fastapi.responses import Response

from condmon.engine.outputs import Entry
from condmon.engine.records import Filed
from condmon.engine.servicebook.fields import key_from
from condmon.engine.servicebook.starter import starter_set
from condmon.engine.servicebook.tasks import Task, usual_lead
from condmon.spans import instant_of
from condmon.web.book import component_of, task_of
from condmon.web.parts import Parts, back_to, needs, parts_of, phone_of
from condmon.web.photos import Photos

router = APIRouter(include_in_schema=False)

Key = Annotated[str, Form(max_length=64)]
Line = Annotated[str, Form(max_length=80)]
Text = Annotated[str, Form(max_length=600)]
Number = Annotated[str, Form(max_length=20)]
Photo = Annotated[UploadFile | None, File()]
Sort = Literal["service", "inspection", "cleaning", "calibration"]


@router.post("/book/{machine_id}")
@needs("operator")
def write_machine_book(
    request: Request,
    machine_id: str,
    do: Annotated[Literal["component", "installed", "task", "starter"], Form()],
    name: Line = "",
    serial: Line = "",
    key: Key = "",
    place: Line = "",
    sort: Annotated[Sort, Form()] = "service",
    measure: Annotated[str, Form(max_length=20)] = "days",
    every: Number = "",
    days: Number = "",
    part_of: Key = "",
    text: Text = "",
) -> Response:
    """Add a component or a task, build a component in, or take over the starter set."""
    parts = parts_of(request)
    machine = parts.machine(machine_id)
    book = parts.shelf.read().book
    entry: Entry | None = None
    match do:
        case "starter":
            for task, content in starter_set(machine).items():
                if task not in book.tasks.known:
                    entry = file(request, machine_id, "task", task, content)
        case "task":
            limits = {measure: figure(every), "days": figure(days)}
            wanted = {m: v for m, v in limits.items() if v is not None}
            content = {"title": name, "sort": sort, "place": place, "every": wanted,
                       "lead": usual_lead(wanted), "do": _lines(text)}  # fmt: skip
            entry = file(request, machine_id, "task", key_from(name, book.tasks.known), content)
        case _:
            if do == "component":
                key = key_from(name, book.components.known)
                words = {"name": name, "serial": serial, "text": text}
                words |= {"part_of": part_of} if part_of else {}
                file(request, "", "component", key, words)
            entry = file(request, machine_id, "installed", key, {"place": place or name})
    return back_to(f"/book/{machine_id}", entry.id if entry else "later")


@router.post("/book/tasks/{task_key}")
@needs("operator")
def write_task(
    request: Request,
    task_key: str,
    do: Annotated[Literal["done", "inspected", "skipped", "retired", "task"], Form()],
    found: Annotated[Literal["", "good", "watch", "bad"], Form()] = "",
    reading: Number = "",
    text: Text = "",
    days: Number = "",
    visit: Key = "",
    photo: Photo = None,
    title: Line = "",
    of: Annotated[list[str] | None, Form(max_length=20)] = None,
    every: Annotated[list[str] | None, Form(max_length=20)] = None,
    on: Annotated[str, Form(max_length=10)] = "",
    steps: Annotated[str, Form(max_length=2000)] = "",
    caution: Text = "",
) -> Response:
    """Say that a task was done, what an inspection found, or why it is left out."""
    parts = parts_of(request)
    task = task_of(parts.shelf.read(), task_key)
    content: dict[str, Any] = {"text": text}
    if do == "task":
        wanted = {m: figure(text[:20]) for m, text in zip(of or (), every or (), strict=False)}
        content = _changed(task, wanted)
        content |= {"title": title, "do": _lines(steps), "caution": caution}
    if do in {"done", "inspected"}:
        content |= {"reading": figure(reading), "visit": visit, "on_us": _day_us(parts, on)}
        if photo is not None and photo.filename:
            content["photo"] = Photos(parts.folder).keep(photo.file)
    if do == "inspected":
        content["found"] = found
    if do == "skipped":
        content["days"] = figure(days)
    entry = file(request, task.machine, do, task_key, content)
    return back_to(f"/book/tasks/{task_key}", entry.id if entry else "later")


@router.post("/book/components/{component_key}")
@needs("operator")
def write_component(
    request: Request,
    component_key: str,
    do: Annotated[Literal["component", "installed", "removed", "returned"], Form()],
    name: Line = "",
    maker: Line = "",
    machine: Key = "",
    place: Line = "",
    to: Annotated[Literal["store", "exchange", "scrap"], Form()] = "store",
    serial: Line = "",
    renewed: Annotated[Literal["", "yes"], Form()] = "",
    visit: Key = "",
    text: Text = "",
) -> Response:
    """Build a component in, take it out, or have it back."""
    component = component_of(parts_of(request).shelf.read(), component_key)
    content: dict[str, Any]
    match do:
        case "component":
            content = {"name": name, "serial": serial, "maker": maker, "text": text}
        case "installed":
            content = {"place": place, "visit": visit, "text": text}
        case "removed":
            machine, content = component.machine, {"to": to, "visit": visit, "text": text}
        case _:
            machine, content = "", {"serial": serial, "text": text}
            content["renewed"] = True if renewed else None
    entry = file(request, machine, do, component_key, content)
    return back_to(f"/book/components/{component_key}", entry.id if entry else "later")


def file(
    request: Request, machine: str, what: str, key: str, content: Mapping[str, Any]
) -> Entry | None:
    """File something under the name of whoever asks; the line of the log, None: not yet."""
    by = phone_of(request).account
    empty = (None,) if what == "component" else ("", None)  # a description can be emptied
    kept = {name: value for name, value in content.items() if value not in empty}
    text = json.dumps(kept, ensure_ascii=False)
    return parts_of(request).live.put(lambda at_us: Filed(at_us, machine, what, by, key, text))


def figure(text: str) -> float | None:
    """A number as people write it, None for nothing; 400 in words for anything else."""
    if not text.strip():
        return None
    if re.fullmatch(r"\s*\d{1,3},\d{3}\s*", text):
        raise HTTPException(400, f"{text!r} can be read in two ways; write 1000, or 1.0.")
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        raise HTTPException(400, f"{text!r} is no number; write 7.5 or 7,5.") from None


def _day_us(parts: Parts, day: str) -> int | None:
    """Noon of a day that is over; None for today and for none. Raises UsageError."""
    wording = parts.wording()
    if not day or day == wording.whole(wording.now_us)[:10]:
        return None
    return instant_of("day", f"{day} 12:00", parts.settings)


def _lines(text: str) -> list[str]:
    return [line.strip() for line in text.splitlines() if line.strip()]


def _changed(task: Task, wanted: Mapping[str, float | None]) -> dict[str, Any]:
    """What is said of a task whose intervals are changed; a lead must stay shorter than these."""
    every = {name: value for name, value in {**task.every, **wanted}.items() if value is not None}
    lead = {name: value for name, value in task.lead.items() if value < every.get(name, 0)}
    return task.content() | {"every": every, "lead": lead}
