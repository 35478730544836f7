"""The service book's rows as JSON and as lines for people."""

from collections.abc import Mapping
from typing import Any

from condmon.clock import rfc3339
from condmon.engine.outputs import Entry
from condmon.engine.servicebook.components import WHERE_WORDS, Component
from condmon.engine.servicebook.duework import DueWork
from condmon.engine.servicebook.life import COUNTED, MEASURES, amount, bearing_use, minutes_above
from condmon.engine.servicebook.tasks import Task
from condmon.engine.settings import Calendar
from condmon.engine.words import number

Row = dict[str, Any]


def entry_row(entry: Entry) -> Row:
    """A line of the log that tells what was filed."""
    return {
        "kind": "entry", "id": entry.id, "at": rfc3339(entry.at_us), "machine": entry.machine,
        "of": entry.kind, "text": entry.text, "what": entry.facts["what"],
        "key": entry.facts["key"], "by": entry.facts["by"],
    }  # fmt: skip


def component_row(
    component: Component, counts: Mapping[str, Mapping[str, int]], *, whole: bool = False
) -> Row:
    """A component with its life by measure; `whole` adds the counters and where it has been."""
    life = component.life_now(counts)
    row: Row = {
        "kind": "component", "key": component.key, "name": component.name,
        "sort": component.sort, "serial": component.serial, "where": component.where,
        "machine": component.machine, "place": component.place,
        "since": rfc3339(component.since_us), "life": _amounts(life),
    }  # fmt: skip
    if whole:
        row |= {
            "maker": component.maker, "part_of": component.part_of, "text": component.text,
            "bearing_use": round(bearing_use(life), 3), "minutes_above": minutes_above(life),
            "counters": dict(sorted(life.items())), "life_before": _amounts(component.life_before),
            "moves": [{"at": rfc3339(at), "text": text, "by": by, "at_us": at}
                      for at, text, by in component.moves],
        }  # fmt: skip
    return row


def task_row(
    task: Task,
    due: DueWork | None,
    counts: Mapping[str, int],
    now_us: int,
    *,
    whole: bool = False,
) -> Row:
    """A task as it stands, with the day on which it is expected to be due."""
    due_us = due.due_us(task, counts, now_us) if due else None
    row: Row = {
        "kind": "task", "key": task.key, "machine": task.machine, "title": task.title,
        "sort": task.sort, "standing": task.standing(counts, now_us), "retired": task.retired,
        "limits": [
            {"measure": x.measure, "used": round(x.used, 3), "of": x.limit, "lead": x.lead}
            for x in task.limits(counts, now_us)
        ],
        "due": rfc3339(due_us) if due_us else None, "due_us": due_us,
        "last": rfc3339(task.last_us) if task.last_us else None, "skipped": task.skipped,
    }  # fmt: skip
    left = task.nearest_limit(counts, now_us)
    row["left"] = left.words() if left else "no interval"
    if whole:
        row |= {
            "place": task.place, "do": task.do, "caution": task.caution, "unit": task.unit,
            "low": task.low, "high": task.high, "source": task.source,
            "doings": [
                {"at": rfc3339(at), "what": what, "by": by, "reading": reading, "text": text,
                 "photo": photo, "at_us": at}
                for at, what, by, reading, text, photo in task.doings
            ],
        }  # fmt: skip
    return row


def component_words(row: Row, calendar: Calendar | None = None) -> str:
    """A line, or with a calendar the whole page of a component."""
    where = WHERE_WORDS[row["where"]]
    if row["where"] == "installed":
        where += f" in {row['machine']}, {row['place']}"
    serial = f" no. {row['serial']}" if row["serial"] else ""
    life = life_words(row["life"])
    line = f"{row['key']:24} {row['name']}{serial}: {where}; {life}"
    if calendar is None:
        return line
    lines = [line]
    lines += [f"  {name.replace('_', ' ')}: {row[name]}" for name in ("maker", "part_of", "text")
              if row[name]]  # fmt: skip
    lines += [f"  {number(value)} {MEASURES[name].words}" for name, value in row["life"].items()]
    if row["bearing_use"]:
        lines.append(f"  {number(row['bearing_use'])} million turns weighted by load (ISO 281), "
                     "for comparing only")  # fmt: skip
    for bearing, bands in row["minutes_above"].items():
        above = ", ".join(f"{low}: {number(m)} min" for low, m in list(bands.items())[-4:])
        lines.append(f"  {bearing} at or above so many degrees: {above}")
    lines += [f"  {calendar.text(m['at_us'])}  {m['text']} ({m['by']})" for m in row["moves"]]
    return "\n".join(lines)


def life_words(life: Mapping[str, float]) -> str:
    """The first measures of a life, in words."""
    shown = [f"{number(life[m])} {MEASURES[m].words}" for m in ("hours_on", "hours_turning")
             if m in life]  # fmt: skip
    return ", ".join(shown) or "no life counted"


def task_words(row: Row, calendar: Calendar) -> str:
    """A line, or the whole page of a task if the row has its doings."""
    word = {"overdue": "OVERDUE", "soon": "due soon", "later": ""}[row["standing"]]
    known = row["due_us"] and row["standing"] != "overdue"
    when = f"; expected {calendar.text(row['due_us'])[:10]}" if known else ""
    skipped = f"; skipped {row['skipped']} times" if row["skipped"] else ""
    left = f"{row['left']}{when}{skipped}"
    line = f"{row['key']:28} {word:9} {row['title']} ({row['machine']}): {left}"
    if "doings" not in row:
        return line
    lines = [line, *(f"  - {step}" for step in row["do"])]
    if row["caution"]:
        lines.append(f"  CAUTION: {row['caution']}")
    if row["source"]:
        lines.append(f"  interval: {row['source']}")
    for doing in row["doings"]:
        reading = "" if doing["reading"] is None else f" {number(doing['reading'])} {row['unit']}"
        text = f": {doing['text']}" if doing["text"] else ""
        lines.append(
            f"  {calendar.text(doing['at_us'])}  {doing['what']}{reading}{text} ({doing['by']})"
        )
    return "\n".join(lines)


def _amounts(life: Mapping[str, int]) -> dict[str, float]:
    found = {measure: amount(life, measure) for measure in COUNTED}
    return {measure: round(value, 4) for measure, value in found.items() if value}
