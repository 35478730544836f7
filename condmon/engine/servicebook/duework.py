"""Due work of one machine: its tasks against the counters, once an hour, and recent use. Pure."""

import json
from collections.abc import Mapping, Sequence
from typing import Any

from condmon.engine.checks.service_due import ServiceDue
from condmon.engine.ids import short_id
from condmon.engine.latch import Event
from condmon.engine.outputs import Entry, Facts
from condmon.engine.records import SECOND_US
from condmon.engine.servicebook.book import ServiceBook
from condmon.engine.servicebook.life import COUNTED, MEASURES, raw, said
from condmon.engine.servicebook.tasks import DAY_US, Standing, Task
from condmon.engine.settings import Adjust, Machine, Settings

DAY_S = 86_400
DAYS_KEPT = 29
RECENT_DAYS = 28
"""The forecast goes by the last four weeks: short enough for a change of work, with whole weeks."""
DAYS_MIN = 3
Days = Sequence[Sequence[Any]]
"""[tick, {measure: raw amount}] at the first hour of each day, oldest first."""


class DueWork:
    """Carried state: what was said of each task, and the counters at each day's first hour."""

    def __init__(self, settings: Settings, machine: Machine, book: ServiceBook) -> None:
        self._settings, self._machine, self._book = settings, machine, book
        self._enabled = machine.adjust.get(ServiceDue.id, Adjust()).enabled
        self._said: dict[str, Standing] = {}  # task -> soon or overdue
        self.days: list[list[Any]] = []  # [tick, {measure: raw amount}]

    def judge(
        self, tick: int, row: int, counts: Mapping[str, int]
    ) -> list[tuple[ServiceDue, Event]]:
        """What has fallen due or was done, at the end of a tick; rows are those of its block."""
        found: list[tuple[ServiceDue, Event]] = []
        if not self._enabled:
            return found
        now_us = (tick + 1) * SECOND_US
        standings: dict[str, Standing] = {}
        tasks = {task.key: task for task in self._book.tasks.of(self._machine.id)}
        for task in tasks.values():
            standings[task.key] = task.standing(counts, now_us)
        for key, before in list(self._said.items()):
            if standings.get(key, "later") != before:
                task = self._book.tasks.known.get(key) or Task(key, self._machine.id, "", "service")
                found.append((self._check(task, before, counts, now_us), Event(row, "ended", tick)))
                del self._said[key]
        for key, standing in standings.items():
            if standing != "later" and key not in self._said:
                self._said[key] = standing
                check = self._check(tasks[key], standing, counts, now_us)
                found.append((check, Event(row, "raised", tick)))
        return found

    def _check(
        self, task: Task, standing: Standing, counts: Mapping[str, int], now_us: int
    ) -> ServiceDue:
        left = next((x for x in task.limits(counts, now_us) if x.standing == standing), None)
        return ServiceDue.of(self._settings, self._machine, task, left, standing)

    def note_day(self, tick: int, counts: Mapping[str, int]) -> list[tuple[int, Entry]]:
        """Keep the counters of the first hour of a day; where the book has use for them, tell them.

        The line in the log outlives recordings and snapshots.
        """
        day = tick // DAY_S
        if self.days and self.days[-1][0] // DAY_S == day:
            return []
        amounts = {measure: raw(counts, measure) for measure in COUNTED}
        before = self.days[-1][1] if self.days else {}
        self.days = [*self.days, [tick, amounts]][-DAYS_KEPT:]
        machine = self._machine.id
        if amounts == before or not self._book.concerns(machine):
            return []
        text = f"counted so far: {said(counts)}"
        facts: Facts = {"counts": json.dumps(counts, sort_keys=True)}
        made = short_id("usage", machine, day)
        return [(tick, Entry(made, (tick + 1) * SECOND_US, machine, "usage", text, facts))]

    def due_us(self, task: Task, counts: Mapping[str, int], now_us: int) -> int | None:
        """When a task is expected to be due; see `expected_us`."""
        return expected_us(task, self.days, counts, now_us)

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {"said": self._said, "days": self.days}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._said, self.days = state["said"], state["days"]


def a_day(days: Days, measure: str, counts: Mapping[str, int], now_us: int) -> float | None:
    """Use of a measure a day over the last four weeks; None while that is not known."""
    if not days:
        return None
    now = now_us / DAY_US
    recent = [(now - (d[0] + 1) / DAY_S, d[1]) for d in days]
    gone, then = next((d for d in recent if d[0] <= RECENT_DAYS + 1), recent[-1])
    if gone < DAYS_MIN:
        return None
    used = raw(counts, measure) - int(then.get(measure, 0))
    return max(used, 0) / MEASURES[measure].per / float(gone)


def expected_us(task: Task, days: Days, counts: Mapping[str, int], now_us: int) -> int | None:
    """When a task is expected to be due, from recent use; None where that is not known."""
    found: list[int] = []
    for left in task.limits(counts, now_us):
        rate = 1.0 if left.measure == "days" else a_day(days, left.measure, counts, now_us)
        if left.left <= 0:
            found.append(now_us)
        elif rate:
            found.append(now_us + round(left.left / rate * DAY_US))
    return max(min(found), task.held_until_us) if found else None
