"""Tasks: what is to be done by running hours, cycles or calendar, and when it was last done. Pure.

A task's limits are amounts by measure (`life.MEASURES`); whichever is reached first makes it due.
From `lead` before a limit it is a note, beyond the limit it is overdue.
"""

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal, NamedTuple

from condmon.engine.records import Filed
from condmon.engine.servicebook.components import Component
from condmon.engine.servicebook.fields import Content, Refused
from condmon.engine.servicebook.life import MEASURES, raw
from condmon.engine.servicebook.part import Moment
from condmon.engine.words import nearest, number

DAY_US = 86_400_000_000
TASKS_MAX = 1000
LEAD_SHARE = 0.1
BACKDATED_MAX_US = 366 * DAY_US
DOINGS_KEPT = 30
SEEN: Mapping[str, str] = {"watch": "to be watched", "bad": "found bad"}
CHANGEABLE = ("title", "sort", "every", "lead", "place", "do", "caution", "unit", "low", "high",
              "photo", "source")  # fmt: skip
Standing = Literal["later", "soon", "overdue"]


class Left(NamedTuple):
    """How far one limit of a task is away."""

    measure: str
    used: float
    limit: float
    lead: float

    @property
    def left(self) -> float:
        """Amount until the limit, below 0 beyond it."""
        return self.limit - self.used

    @property
    def standing(self) -> Standing:
        """Where this limit stands."""
        if self.used >= self.limit:
            return "overdue"
        return "soon" if self.left <= self.lead else "later"

    def words(self) -> str:
        """In a sentence."""
        unit = MEASURES[self.measure].words
        if self.left <= 0:
            return f"{number(self.used)} of {number(self.limit)} {unit} are over"
        return f"{number(self.left)} of {number(self.limit)} {unit} left"


@dataclass(slots=True)
class Task:
    """One thing to do again and again on a machine."""

    key: str
    machine: str
    title: str
    sort: str
    every: dict[str, float] = field(default_factory=dict)
    lead: dict[str, float] = field(default_factory=dict)
    place: str = ""  # the place whose component it is about; a new component starts it anew
    do: list[str] = field(default_factory=list)
    caution: str = ""
    unit: str = ""  # of the reading, if one is taken
    low: float | None = None
    high: float | None = None
    photo: bool = False
    source: str = ""  # where the interval comes from
    retired: bool = False
    since_us: int = 0  # the calendar counts from here
    base: dict[str, int] = field(default_factory=dict)  # the machine's counters at that moment
    held_until_us: int = 0  # put off until then
    last_us: int = 0  # when it was last really done
    skipped: int = 0  # times in a row
    doings: list[list[Any]] = field(default_factory=list)  # [at_us, what, by, reading, text, photo]

    def not_good(self) -> str:
        """What the last inspection found, if it was not good; empty otherwise."""
        last = self.doings[-1] if self.doings else None
        if last is None or last[1] not in SEEN:
            return ""
        reading = "" if last[3] is None else f" {number(last[3])} {self.unit}".rstrip()
        return f"{SEEN[last[1]]}{reading}" + (f": {last[4]}" if last[4] else "")

    def content(self) -> Content:
        """What a record must say to make the same task again; to change a part of it."""
        told = {name: getattr(self, name) for name in CHANGEABLE}
        return {name: value for name, value in told.items() if value not in ("", None, [], {})}

    def limits(self, counts: Mapping[str, int], now_us: int) -> Iterator[Left]:
        """How far each limit is away."""
        for measure, limit in self.every.items():
            if measure == "days":
                used = (now_us - self.since_us) / DAY_US
            else:
                used = (raw(counts, measure) - self.base.get(measure, 0)) / MEASURES[measure].per
            yield Left(measure, used, limit, self.lead.get(measure, 0.0))

    def nearest_limit(self, counts: Mapping[str, int], now_us: int) -> Left | None:
        """The limit of which the largest share is used."""
        return max(self.limits(counts, now_us), key=lambda x: x.used / x.limit, default=None)

    def standing(self, counts: Mapping[str, int], now_us: int) -> Standing:
        """Where it stands; a task that was put off is not due before that day."""
        if self.retired or now_us < self.held_until_us:
            return "later"
        found = {left.standing for left in self.limits(counts, now_us)}
        return "overdue" if "overdue" in found else "soon" if "soon" in found else "later"


class Tasks:
    """All tasks by key."""

    whats: tuple[str, ...] = ("task", "retired", "done", "inspected", "skipped")

    def __init__(self) -> None:
        self.known: dict[str, Task] = {}

    def of(self, machine: str) -> list[Task]:
        """The tasks of a machine that are not retired, in the order in which they were added."""
        return [t for t in self.known.values() if t.machine == machine and not t.retired]

    def take(self, filed: Filed, content: Content, moment: Moment) -> str:
        """Take up a record; a sentence for the log. Raises Refused."""
        if filed.what == "task":
            return self._describe(filed, content, moment)
        task = self.one(filed.key, filed.machine)
        if filed.what == "retired":
            task.retired = True
            return f"task {task.title} ({task.key}) is retired"
        return self._did(task, filed, content, moment)

    def one(self, key: str, machine: str) -> Task:
        """A task of a machine by its key. Raises Refused."""
        if key not in self.known:
            raise Refused(f'there is no task "{key}"{nearest(key, self.known)}')
        task = self.known[key]
        if task.machine != machine:
            raise Refused(f"task {key} belongs to {task.machine}")
        return task

    def _describe(self, filed: Filed, content: Content, moment: Moment) -> str:
        if not filed.machine:
            raise Refused("say of which machine the task is")
        for name in ("every", "lead", "used"):
            for measure in content.get(name, {}):
                if measure not in MEASURES:
                    raise Refused(f'"{measure}" is no measure{nearest(measure, MEASURES)}')
        every, lead = content.get("every", {}), content.get("lead", {})
        if over := [m for m in lead if lead[m] >= every.get(m, 0)]:
            raise Refused(f"the lead of {over[0]} must be shorter than its interval")
        old = self.known.get(filed.key)
        if old is None and len(self.known) >= TASKS_MAX:
            raise Refused(f"the book holds {TASKS_MAX} tasks, which is its bound")
        if old and old.machine != filed.machine:
            raise Refused(f"task {filed.key} belongs to {old.machine}")
        words = {name: value for name, value in content.items() if name != "used"}
        new = Task(filed.key, filed.machine, **words)
        self.known[filed.key] = new
        self._begin(new, filed.at_us, moment)
        if old:  # other words and limits, the same history
            for name in ("since_us", "base", "held_until_us", "last_us", "skipped", "doings"):
                setattr(new, name, getattr(old, name))
            for measure in every.keys() - old.every.keys():
                new.base[measure] = raw(moment.counts_of(new.machine), measure)
        for measure, used in content.get("used", {}).items():
            self._used_before(new, measure, used)
        return f"task {new.title} ({new.key}) is {'changed' if old else 'added'}"

    def _used_before(self, task: Task, measure: str, used: float) -> None:
        """So much of the interval was used before the book knew the task."""
        if measure == "days":
            task.since_us -= round(used * DAY_US)
        else:
            task.base[measure] = task.base.get(measure, 0) - round(used * MEASURES[measure].per)

    def _did(self, task: Task, filed: Filed, content: Content, moment: Moment) -> str:
        text = str(content.get("text", "")).strip()
        on_us = _on_us(task, filed, content)
        doing = [on_us, filed.what, filed.by, content.get("reading"), text,
                 content.get("photo", "")]  # fmt: skip
        if filed.what == "inspected":
            doing[1] = content["found"]
        if filed.what == "skipped" and content.get("days"):
            task.held_until_us = filed.at_us + round(content["days"] * DAY_US)
        else:
            self._begin(task, on_us, moment)
            task.held_until_us = 0
        task.skipped = task.skipped + 1 if filed.what == "skipped" else 0
        if filed.what != "skipped":
            task.last_us = on_us
        task.doings = [*task.doings, doing][-DOINGS_KEPT:]
        return _sentence(task, filed.what, content, text)

    def _begin(self, task: Task, at_us: int, moment: Moment) -> None:
        """Count from this moment on."""
        counts = moment.counts_of(task.machine)
        task.since_us = at_us
        task.base = {measure: raw(counts, measure) for measure in task.every if measure != "days"}

    def begin_anew(self, component: Component, at_us: int, moment: Moment) -> None:
        """A component was installed: the tasks of its place count its life from now on."""
        life = component.life
        for task in self.of(component.machine):
            if task.place and task.place == component.place:
                self._begin(task, at_us, moment)
                task.held_until_us, task.skipped = 0, 0
                task.base = {m: base - raw(life, m) for m, base in task.base.items()}

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {"known": [asdict(task) for task in self.known.values()]}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self.known = {saved["key"]: Task(**saved) for saved in state["known"]}


def usual_lead(every: Mapping[str, float]) -> dict[str, float]:
    """A tenth of each interval, where nobody said how long before it is to be told.

    Enough to order a part for work of half a year (common practice, no source).
    """
    return {measure: amount * LEAD_SHARE for measure, amount in every.items()}


def _on_us(task: Task, filed: Filed, content: Content) -> int:
    """When it was really done. The counters count from when it was written down all the same."""
    on_us = int(content.get("on_us", filed.at_us))
    if not filed.at_us - BACKDATED_MAX_US <= on_us <= filed.at_us:
        raise Refused("the day on which it was done lies ahead, or more than a year back")
    if "on_us" in content and on_us < task.last_us:
        raise Refused("it was done again after that day already")
    return on_us


def _sentence(task: Task, what: str, content: Content, text: str) -> str:
    said = f": {text}" if text else ""
    reading = content.get("reading")
    if reading is not None:
        said = f", reading {number(reading)} {task.unit}".rstrip() + _judged(task, reading) + said
    match what:
        case "inspected":
            return f"inspected, {content['found']}: {task.title} ({task.key}){said}"
        case "skipped" if content.get("days"):
            return f"put off for {number(content['days'])} days: {task.title} ({task.key}){said}"
        case "skipped":
            return f"skipped this time: {task.title} ({task.key}){said}"
    return f"done: {task.title} ({task.key}){said}"


def _judged(task: Task, reading: float) -> str:
    if task.low is not None and reading < task.low:
        return f" (below {number(task.low)})"
    if task.high is not None and reading > task.high:
        return f" (above {number(task.high)})"
    return ""
