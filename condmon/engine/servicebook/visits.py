"""Visits: planned with their evidence, what was taken along, found and used; the run after. Pure.

A visit is planned, open while work goes on, then ended; afterwards the return-to-service run is
judged and signed for. What condmon itself adds (evidence, verdict) comes with an empty `by`: no
account can have that name.
"""

from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from condmon.engine.records import Filed
from condmon.engine.servicebook.fields import Content, Refused
from condmon.engine.servicebook.part import Moment
from condmon.engine.words import nearest, number

VISITS_MAX = 500
FINDINGS_MAX, PARTS_MAX, VERDICTS_KEPT = 200, 100, 5
WORK_KEPT = 100
State = Literal["planned", "open", "ended", "signed"]
WORK = {"installed", "removed", "done", "visit_begun", "visit_ended"}
"""Kinds of record that say that hands were on the machine."""


@dataclass(slots=True)
class Carried:
    """One sort of part of a visit: how many were taken along, used, brought back."""

    name: str
    taken: float = 0.0
    used: float = 0.0
    returned: float = 0.0
    text: str = ""

    @property
    def missing(self) -> float:
        """Taken along, and neither used nor brought back."""
        return self.taken - self.used - self.returned


@dataclass(slots=True)
class Visit:
    """One visit to one machine."""

    key: str
    machine: str
    title: str
    text: str = ""
    who: str = ""
    for_us: int = 0  # planned for
    state: State = "planned"
    planned_us: int = 0
    planned_by: str = ""
    begun_us: int = 0
    ended_us: int = 0
    signed_us: int = 0
    signed_by: str = ""
    signed_open: list[str] = field(default_factory=list)
    evidence: list[list[str]] = field(default_factory=list)  # [kind, text]
    spares: list[list[str]] = field(default_factory=list)  # [part, why]
    parts: list[Carried] = field(default_factory=list)
    findings: list[list[Any]] = field(default_factory=list)  # [at_us, by, text, photo]
    run_us: int = 0  # begin of the run that is on, 0: none
    verdicts: list[dict[str, Any]] = field(default_factory=list)  # newest last


class Visits:
    """All visits by key, and what was last done to each machine."""

    whats: tuple[str, ...] = (
        "visit", "visit_begun", "visit_ended", "part", "finding", "evidence", "trial", "checked",
        "verdict", "signed", "baseline",
    )  # fmt: skip

    def __init__(self) -> None:
        self.known: dict[str, Visit] = {}
        self.work: dict[str, list[list[Any]]] = {}  # machine -> [at_us, words]
        self.baselines: dict[str, int] = {}  # machine -> instant of the newest
        self.bases: dict[str, dict[str, Any]] = {}  # machine -> what its runs are compared with

    def of(self, machine: str) -> list[Visit]:
        """The visits of a machine, newest first."""
        return [v for v in reversed(self.known.values()) if v.machine == machine]

    def open_of(self, machine: str) -> Visit | None:
        """The visit that is going on at a machine."""
        return next((v for v in self.of(machine) if v.state == "open"), None)

    def take(self, filed: Filed, content: Content, moment: Moment) -> str:
        """Take up a record; a sentence for the log. Raises Refused."""
        if not filed.machine:
            raise Refused("say which machine it is about")
        if filed.what == "visit":
            return self._plan(filed, content)
        if filed.what == "baseline":
            return self._baseline(filed, content, moment)
        visit = self.one(filed.key, filed.machine)
        if filed.what in {"evidence", "verdict"} and filed.by:
            raise Refused("condmon itself finds that out")
        does = {
            "visit_begun": self._begin, "visit_ended": self._end, "part": self._part,
            "finding": self._finding, "evidence": self._evidence, "trial": self._trial,
            "checked": self._checked, "verdict": self._verdict, "signed": self._sign,
        }[filed.what]  # fmt: skip
        return does(visit, filed, content)

    def one(self, key: str, machine: str) -> Visit:
        """A visit of a machine by its key. Raises Refused."""
        if key not in self.known:
            raise Refused(f'there is no visit "{key}"{nearest(key, self.known)}')
        if self.known[key].machine != machine:
            raise Refused(f"visit {key} belongs to {self.known[key].machine}")
        return self.known[key]

    def worked(self, machine: str, at_us: int, words: str) -> None:
        """Hands were on a machine."""
        self.work[machine] = [*self.work.get(machine, []), [at_us, words]][-WORK_KEPT:]

    def work_since(self, machine: str, at_us: int) -> str:
        """The last thing that was done to a machine after an instant; empty if nothing was."""
        found = [words for at, words in self.work.get(machine, []) if at > at_us]
        return str(found[-1]) if found else ""

    # one kind each

    def _plan(self, filed: Filed, content: Content) -> str:
        old = self.known.get(filed.key)
        if old and old.machine != filed.machine:
            raise Refused(f"visit {filed.key} belongs to {old.machine}")
        if old and old.state != "planned":
            raise Refused(f"visit {old.title} is {old.state}; plan another one")
        if old is None and len(self.known) >= VISITS_MAX:
            raise Refused(f"the book holds {VISITS_MAX} visits, which is its bound")
        new = Visit(filed.key, filed.machine, **content)
        new.planned_us, new.planned_by = filed.at_us, filed.by
        if old:
            new.parts = old.parts
        self.known[filed.key] = new
        return f"visit {new.title} ({new.key}) is {'planned anew' if old else 'planned'}"

    def _evidence(self, visit: Visit, filed: Filed, content: Content) -> str:
        visit.evidence = [list(row) for row in content["lines"]]
        visit.spares = [list(row) for row in content["spares"]]
        count, parts = len(visit.evidence), len(visit.spares)
        return f"evidence for visit {visit.title}: {count} lines; suggested spares: {parts}"

    def _begin(self, visit: Visit, filed: Filed, content: Content) -> str:
        there = self.open_of(visit.machine)
        if there and there is not visit:
            raise Refused(f"visit {there.title} is going on at this machine; end it first")
        if visit.state == "signed":
            raise Refused(f"visit {visit.title} is signed for; plan another one")
        again = visit.state == "open"
        visit.state, visit.begun_us = (
            "open",
            filed.at_us if again else visit.begun_us or filed.at_us,
        )
        visit.who = str(content.get("who") or visit.who)
        visit.run_us = 0
        who = f" by {visit.who}" if visit.who else ""
        verb = "goes on" if again else "begins"
        return f"visit {visit.title} {verb}{who}; alerts of this machine are only logged meanwhile"

    def _end(self, visit: Visit, filed: Filed, content: Content) -> str:
        if visit.state != "open":
            raise Refused(f"visit {visit.title} is {visit.state}, not open")
        visit.state, visit.ended_us = "ended", filed.at_us
        missing = [f"{number(p.missing)} {p.name}" for p in visit.parts if p.missing]
        text = f": {content['text']}" if content.get("text") else ""
        away = f"; neither used nor brought back: {', '.join(missing)}" if missing else ""
        return f"visit {visit.title} is over{text}{away}"

    def _part(self, visit: Visit, filed: Filed, content: Content) -> str:
        name = str(content["name"]).strip()
        part = next((p for p in visit.parts if p.name == name), None)
        if part is None:
            if len(visit.parts) >= PARTS_MAX:
                raise Refused(f"a visit holds {PARTS_MAX} sorts of parts, which is its bound")
            part = Carried(name)
        told = {how: float(content[how]) for how in ("taken", "used", "returned") if how in content}
        if not told:
            raise Refused("say how many were taken, used or returned")
        after = {"taken": part.taken, "used": part.used, "returned": part.returned} | told
        if after["used"] + after["returned"] > after["taken"]:
            raise Refused(f"more {name} used and returned than taken along")
        part.taken, part.used, part.returned = after["taken"], after["used"], after["returned"]
        part.text = str(content.get("text") or part.text)
        if part not in visit.parts:
            visit.parts.append(part)
        words = ", ".join(f"{number(amount)} {how}" for how, amount in told.items())
        return f"visit {visit.title}: {name}: {words}"

    def _finding(self, visit: Visit, filed: Filed, content: Content) -> str:
        if len(visit.findings) >= FINDINGS_MAX:
            raise Refused(f"a visit holds {FINDINGS_MAX} findings, which is its bound")
        row = [filed.at_us, filed.by, content["text"], content.get("photo", "")]
        visit.findings.append(row)
        return f"visit {visit.title}: found: {content['text']}"

    def _trial(self, visit: Visit, filed: Filed, content: Content) -> str:
        if visit.state != "ended":
            raise Refused(f"visit {visit.title} is {visit.state}; a run follows when it is over")
        visit.run_us = filed.at_us
        return f"return-to-service run after {visit.title} begins"

    def _checked(self, visit: Visit, filed: Filed, content: Content) -> str:
        if not visit.run_us:
            raise Refused("no return-to-service run is on; begin one")
        return f"the return-to-service run after {visit.title} is judged"

    def _verdict(self, visit: Visit, filed: Filed, content: Content) -> str:
        made = {**content, "at_us": filed.at_us, "run_us": visit.run_us}
        for older in visit.verdicts:  # the traces of the newest run are enough
            older["shapes"] = {}
        visit.verdicts = [*visit.verdicts, made][-VERDICTS_KEPT:]
        failed = [f["words"] for f in content["findings"] if f["verdict"] == "fail"]
        which = f": {', '.join(failed)}" if failed else ""
        return f"return-to-service run after {visit.title}: {content['verdict']}{which}"

    def _sign(self, visit: Visit, filed: Filed, content: Content) -> str:
        last = visit.verdicts[-1] if visit.verdicts else None
        if visit.state != "ended" or last is None or last["run_us"] != visit.run_us:
            raise Refused("there is no judged return-to-service run to sign for")
        if last["verdict"] == "fail":
            raise Refused("the run has failed; put it right and run again before it is signed for")
        visit.state, visit.signed_us, visit.signed_by = "signed", filed.at_us, filed.by
        visit.signed_open, visit.run_us = list(last["open"]), 0
        self.baselines[visit.machine] = filed.at_us
        count = len(visit.signed_open)
        items = f"with {count} open items" if count else "with nothing open"
        return f"visit {visit.title} is signed for {items}; a new baseline begins"

    def _baseline(self, filed: Filed, content: Content, moment: Moment) -> str:
        if self.open_of(filed.machine):
            raise Refused("a visit is going on; a baseline begins when the work is over")
        self.baselines[filed.machine] = filed.at_us
        text = f": {content['text']}" if content.get("text") else ""
        return f"a new baseline begins for {moment.machines[filed.machine]}{text}"

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        known = [asdict(visit) for visit in self.known.values()]
        return {
            "known": known, "work": self.work, "baselines": self.baselines, "bases": self.bases,
        }  # fmt: skip

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self.known = {
            saved["key"]: Visit(**{**saved, "parts": [Carried(**p) for p in saved["parts"]]})
            for saved in state["known"]
        }
        self.work, self.baselines = state["work"], state["baselines"]
        self.bases = state["bases"]
