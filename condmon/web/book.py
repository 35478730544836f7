"""Pages of the service book: what is due, tasks and components of a machine, each of them."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response

from condmon.engine.servicebook.components import WHERE_WORDS, Component
from condmon.engine.servicebook.duework import expected_us
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
from condmon.web.parts import Parts, needs, parts_of, shown
from condmon.web.shelf import Shelved

router = APIRouter(include_in_schema=False)

ORDER: Mapping[Standing, int] = {"overdue": 0, "soon": 1, "later": 2}
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
    return shown(request, "book.html", due=due, found=[r for r in rows if r.task.not_good()],
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
        components=here,
        tree=tree(here),
        store=[c for c in known if c.where == "store"],
        life=lambda c: life_words(c, shelved),
        measures=MEASURES,
        starters=len(set(starter_set(machine)) - set(shelved.book.tasks.known)),
        places=sorted({t.place for t in shelved.book.tasks.of(machine_id) if t.place}),
    )


@router.get("/book/tasks/{task_key}")
@needs("viewer")
def task_page(request: Request, task_key: str) -> Response:
    """One task: caution, steps, the form to say that it was done, what was done before."""
    parts = parts_of(request)
    shelved = parts.shelf.read()
    task = task_of(shelved, task_key)
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


@router.get("/book/components/{component_key}")
@needs("viewer")
def component_page(request: Request, component_key: str) -> Response:
    """One component: where it is, its life, where it has been."""
    parts = parts_of(request)
    shelved = parts.shelf.read()
    component = component_of(shelved, component_key)
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
        hours=[(word, _hours(life, name)) for word, name in (("duty", "duty_s:"),
               ("speed from, in 1/min", "speed_s:")) if _hours(life, name)],
        warm=minutes_above(life),
        before=[(MEASURES[m], amount(component.life_before, m)) for m in COUNTED
                if amount(component.life_before, m)],
        under=[c for c in known.values() if c.part_of == component.key],
        above=known.get(component.part_of),
        visits=[v for v in shelved.book.visits.of(component.machine) if v.state == "open"],
        number=number,
    )  # fmt: skip


def tree(components: Sequence[Component]) -> list[tuple[int, Component]]:
    """Each component with its depth, parts behind what they belong to, by place."""
    keys = {component.key for component in components}
    under: dict[str, list[Component]] = {}
    for component in sorted(components, key=lambda c: (c.place, c.key)):
        above = component.part_of if component.part_of in keys else ""
        under.setdefault(above, []).append(component)
    found: list[tuple[int, Component]] = []
    waiting = [(0, component) for component in reversed(under.get("", []))]
    while waiting:
        depth, component = waiting.pop()
        found.append((depth, component))
        waiting += [(depth + 1, part) for part in reversed(under.get(component.key, []))]
    return found


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


def _hours(life: Mapping[str, int], prefix: str) -> list[tuple[str, float]]:
    """Hours by what follows a prefix, numbers in their order."""
    found = [(name.removeprefix(prefix), n / 3600) for name, n in life.items()
             if name.startswith(prefix)]  # fmt: skip
    return sorted(found, key=lambda row: (int(row[0]) if row[0].isdigit() else -1, row[0]))


def _order(row: Row) -> tuple[int, int]:
    return ORDER[row.standing], row.due_us or 2**62


def _names(parts: Parts) -> dict[str, str]:
    return {machine.id: machine.name for machine in parts.settings.machines}


def task_of(shelved: Shelved, key: str) -> Task:
    """A task by its key; 404 when there is none."""
    task = shelved.book.tasks.known.get(key)
    if task is None:
        raise HTTPException(404, "There is no such task.")
    return task


def component_of(shelved: Shelved, key: str) -> Component:
    """A component by its key; 404 when there is none."""
    component = shelved.book.components.known.get(key)
    if component is None:
        raise HTTPException(404, "There is no such component.")
    return component
