"""Pages of the service book: what is due, the tasks and components of a machine, each of them."""

import json
import re
from collections.abc import Mapping
from typing import Annotated, Any, Literal, NamedTuple

from fastapi import APIRouter, File, Form, HTTPException, Request, UploadFile
from fastapi.responses import Response

from condmon.engine.outputs import Entry
from condmon.engine.records import Filed
from condmon.engine.servicebook.components import WHERE_WORDS, Component
from condmon.engine.servicebook.duework import expected_us
from condmon.engine.servicebook.fields import key_from
from condmon.engine.servicebook.life import (
    COUNTED,
    MEASURES,
    amount,
    bearing_use,
    minutes_above,
)
from condmon.engine.servicebook.starter import starter_set
from condmon.engine.servicebook.tasks import Left, Standing, Task
from condmon.engine.words import number
from condmon.web.parts import Parts, back_to, needs, parts_of, phone_of, shown
from condmon.web.photos import Photos
from condmon.web.shelf import Shelved

router = APIRouter(include_in_schema=False)

Key = Annotated[str, Form(max_length=64)]
Line = Annotated[str, Form(max_length=80)]
Text = Annotated[str, Form(max_length=600)]
Number = Annotated[str, Form(max_length=20)]
Photo = Annotated[UploadFile | None, File()]
Sort = Literal["service", "inspection", "cleaning", "calibration"]
ORDER: Mapping[Standing, int] = {"overdue": 0, "soon": 1, "later": 2}
SEEN = {"watch": "to be watched", "bad": "found bad"}
WORDS: Mapping[Standing, str] = {"overdue": "overdue", "soon": "due soon", "later": ""}


class Row(NamedTuple):
    """A task as it stands."""

    task: Task
    standing: Standing
    left: Left | None
    due_us: int | None

    @property
    def look(self) -> str:
        """How its row looks: overdue work like an alert for today."""
        return {"overdue": "u-today live unseen", "soon": "u-note live", "later": "u-note"}[
            self.standing
        ]

    @property
    def found(self) -> str:
        """What the last inspection found, if it was not good."""
        last = self.task.doings[-1] if self.task.doings else None
        if last is None or last[1] not in SEEN:
            return ""
        return f"{SEEN[last[1]]}: {last[4]}" if last[4] else SEEN[last[1]]

    @property
    def words(self) -> str:
        """Its standing in a word."""
        return WORDS[self.standing]


@router.get("/book")
@needs("viewer")
def book_page(request: Request) -> Response:
    """What is due on any machine, and the way to each machine's book."""
    parts = parts_of(request)
    shelved = parts.shelf.read()
    rows = [row for m in parts.settings.machines for row in rows_of(shelved, m.id)]
    due = sorted((r for r in rows if r.standing != "later"), key=_order)
    return shown(request, "book.html", due=due, found=[r for r in rows if r.found],
                 machines=parts.settings.machines,
                 counted={m.id: len(shelved.book.tasks.of(m.id)) for m in parts.settings.machines},
                 store=[c for c in shelved.book.components.known.values()
                        if c.where != "installed"],
                 where=WHERE_WORDS, names=_names(parts))  # fmt: skip


@router.get("/book/{machine_id}")
@needs("viewer")
def machine_book_page(request: Request, machine_id: str) -> Response:
    """Tasks and components of a machine."""
    parts = parts_of(request)
    machine = parts.machine(machine_id)
    shelved = parts.shelf.read()
    known = shelved.book.components.known.values()
    here = [c for c in known if c.where == "installed" and c.machine == machine_id]
    return shown(
        request,
        "machine_book.html",
        machine=machine,
        rows=rows_of(shelved, machine_id),
        components=sorted(here, key=lambda c: c.place),
        store=[c for c in known if c.where == "store"],
        life=lambda c: life_words(c, shelved),
        measures=MEASURES,
        starters=len(set(starter_set(machine)) - set(shelved.book.tasks.known)),
        places=sorted({t.place for t in shelved.book.tasks.of(machine_id) if t.place}),
    )


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
            content = {"title": name, "sort": sort, "place": place,
                       "every": {m: v for m, v in limits.items() if v is not None},
                       "do": _lines(text)}  # fmt: skip
            entry = file(request, machine_id, "task", key_from(name, book.tasks.known), content)
        case _:
            if do == "component":
                key = key_from(name, book.components.known)
                words = {"name": name, "serial": serial, "text": text}
                words |= {"part_of": part_of} if part_of else {}
                file(request, "", "component", key, words)
            entry = file(request, machine_id, "installed", key, {"place": place or name})
    return back_to(f"/book/{machine_id}", entry.id if entry else "later")


@router.get("/book/tasks/{task_key}")
@needs("viewer")
def task_page(request: Request, task_key: str) -> Response:
    """One task: caution, steps, the form to say that it was done, what was done before."""
    parts = parts_of(request)
    shelved = parts.shelf.read()
    task = _task(shelved, task_key)
    counts = shelved.counts.get(task.machine, {})
    visits = [v for v in shelved.book.visits.of(task.machine) if v.state == "open"]
    return shown(
        request,
        "task.html",
        row=row_of(task, shelved),
        task=task,
        machine_name=_names(parts).get(task.machine, task.machine),
        limits=list(task.limits(counts, shelved.now_us)),
        visits=visits,
        number=number,
        measures=MEASURES,
        said_by={"done": "done", "skipped": "skipped", "good": "good", "watch": "to be watched",
                 "bad": "bad"},
    )  # fmt: skip


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
    steps: Annotated[str, Form(max_length=2000)] = "",
    caution: Text = "",
) -> Response:
    """Say that a task was done, what an inspection found, or why it is left out."""
    parts = parts_of(request)
    task = _task(parts.shelf.read(), task_key)
    content: dict[str, Any] = {"text": text}
    if do == "task":
        wanted = {m: figure(text[:20]) for m, text in zip(of or (), every or (), strict=False)}
        content = _changed(task, wanted)
        content |= {"title": title, "do": _lines(steps), "caution": caution}
    if do in {"done", "inspected"}:
        content |= {"reading": figure(reading), "visit": visit}
        if photo is not None and photo.filename:
            content["photo"] = Photos(parts.folder).keep(photo.file)
    if do == "inspected":
        content["found"] = found
    if do == "skipped":
        content["days"] = figure(days)
    entry = file(request, task.machine, do, task_key, content)
    return back_to(f"/book/tasks/{task_key}", entry.id if entry else "later")


@router.get("/book/components/{component_key}")
@needs("viewer")
def component_page(request: Request, component_key: str) -> Response:
    """One component: where it is, its life, where it has been."""
    parts = parts_of(request)
    shelved = parts.shelf.read()
    component = _component(shelved, component_key)
    life = component.life_now(shelved.counts)
    known = shelved.book.components.known
    return shown(
        request,
        "component.html",
        component=component,
        where=WHERE_WORDS[component.where],
        machines=parts.settings.machines,
        names=_names(parts),
        life=[(MEASURES[m], amount(life, m)) for m in COUNTED if amount(life, m)],
        bearing_use=bearing_use(life),
        warm=minutes_above(life),
        before=[(MEASURES[m], amount(component.life_before, m)) for m in COUNTED
                if amount(component.life_before, m)],
        under=[c for c in known.values() if c.part_of == component.key],
        above=known.get(component.part_of),
        visits=[v for v in shelved.book.visits.of(component.machine) if v.state == "open"],
        number=number,
    )  # fmt: skip


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
    component = _component(parts_of(request).shelf.read(), component_key)
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


def rows_of(shelved: Shelved, machine: str) -> list[Row]:
    """The tasks of a machine, the most urgent first."""
    return sorted((row_of(t, shelved) for t in shelved.book.tasks.of(machine)), key=_order)


def row_of(task: Task, shelved: Shelved) -> Row:
    """A task as it stands now."""
    counts, now_us = shelved.counts.get(task.machine, {}), shelved.now_us
    due_us = expected_us(task, shelved.days.get(task.machine, ()), counts, now_us)
    return Row(task, task.standing(counts, now_us), task.nearest_limit(counts, now_us), due_us)


def life_words(component: Component, shelved: Shelved) -> str:
    """The hours of a component, in words."""
    life = component.life_now(shelved.counts)
    found = [f"{number(amount(life, m))} {MEASURES[m].words}" for m in ("hours_on", "hours_turning")
             if amount(life, m)]  # fmt: skip
    return ", ".join(found) or "no life counted yet"


def _changed(task: Task, wanted: Mapping[str, float | None]) -> dict[str, Any]:
    """What is said of a task whose intervals are changed; a lead must stay shorter than these."""
    every = {name: value for name, value in {**task.every, **wanted}.items() if value is not None}
    lead = {name: value for name, value in task.lead.items() if value < every.get(name, 0)}
    return task.content() | {"every": every, "lead": lead}


def _lines(text: str) -> list[str]:
    return [line.strip() for line in text.splitlines() if line.strip()]


def _order(row: Row) -> tuple[int, int]:
    return ORDER[row.standing], row.due_us or 2**62


def _names(parts: Parts) -> dict[str, str]:
    return {machine.id: machine.name for machine in parts.settings.machines}


def _task(shelved: Shelved, key: str) -> Task:
    task = shelved.book.tasks.known.get(key)
    if task is None:
        raise HTTPException(404, "There is no such task.")
    return task


def _component(shelved: Shelved, key: str) -> Component:
    component = shelved.book.components.known.get(key)
    if component is None:
        raise HTTPException(404, "There is no such component.")
    return component
