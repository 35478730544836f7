"""What follows at one machine from what is written into the service book. Pure.

Visits silence its alerts, work explains the next step of a calibration, an answer closes the
question, the return-to-service run is judged, a new baseline lets every comparison begin anew.
"""

import json
from collections.abc import Mapping, Sequence
from typing import Any

from condmon.engine.alerts import Book, Out
from condmon.engine.block import Block
from condmon.engine.checks.base import Check
from condmon.engine.checks.probe_shift import speaks_of_work
from condmon.engine.latch import Event, Latch
from condmon.engine.outputs import Alert
from condmon.engine.records import SECOND_US, Action, ActionName, Filed
from condmon.engine.servicebook.book import ServiceBook, Told
from condmon.engine.servicebook.series import key_of_signal
from condmon.engine.servicebook.visits import WORK
from condmon.engine.settings import Machine
from condmon.engine.thermal_file import KIND
from condmon.engine.trial import judge
from condmon.engine.trial.evidence import Line, evidence, spares
from condmon.engine.trial.trial import Trial
from condmon.trade.lengths import length_um

ASKING = "probe-shift"
"""The check that asks whether a step of a calibration was expected."""
SILENT_S = 3 * 86_400
"""Like shelving, the silence of a visit has an end, for one that nobody thinks of ending."""
DAY_US = 86_400 * SECOND_US
CALIBRATIONS_A_DAY = 48
"""More of one probe on one day are measurements of parts; they stay in the recordings alone."""
OPEN_MAX = 60
"""Items in a verdict: with so many, one of 200 figures still fits into a line of the book."""
LEAST_UM = 4.0
"""A smaller step of a probe is its daily scatter (common practice, no source)."""
_CLOSING: tuple[ActionName, ...] = ("acknowledge", "cause")


class Aftercare:
    """Carried: the trial, calibrations of the day. The rest belongs to book, alerts and checks."""

    def __init__(
        self,
        machine: Machine,
        servicebook: ServiceBook,
        alerts: Book,
        checks: Sequence[tuple[Check, Latch]],
    ) -> None:
        self._machine, self._servicebook = machine, servicebook
        self._alerts, self._checks = alerts, checks
        self._calibrations = [s for s in machine.signals if s.kind == "calibration"]
        self.trial = Trial(machine)
        self._base_size = self.trial.base_size()
        self._calibrated_on: dict[str, list[int]] = {}  # signal -> day and how many on it

    def push(self, block: Block, out: Out) -> None:
        """Learn from a block; calibrations that the machine sends go into their series."""
        self.trial.push(block)
        self._keep_base()
        found = [
            (at_us, place, value)
            for place, signal in enumerate(self._calibrations)
            for at_us, value in zip(*(c.tolist() for c in block.readings_of(signal.name)),
                                    strict=True)
        ]  # fmt: skip
        for at_us, place, value in sorted(found):
            self._calibrated(at_us, place, value, out)

    def _keep_base(self) -> None:
        """The baseline belongs to the book: it has to outlive a changed configuration."""
        size = self.trial.base_size()
        if size != self._base_size:
            self._base_size = size
            self._servicebook.visits.bases[self._machine.id] = self.trial.base()

    def carried(self) -> None:
        """The book came from before a new beginning: its baseline counts; a run has to be anew."""
        visits = self._servicebook.visits
        visit = visits.open_of(self._machine.id)
        self._alerts.visit = visit.key if visit else ""
        self._alerts.visit_until = visit.begun_us // SECOND_US + SILENT_S if visit else 0
        for one in visits.of(self._machine.id):
            one.run_us = 0
        self.trial.put_base(visits.bases.get(self._machine.id, {}))
        self._base_size = self.trial.base_size()

    def _calibrated(self, at_us: int, place: int, value: float, out: Out) -> None:
        signal, book = self._calibrations[place], self._servicebook.series
        day, count = self._calibrated_on.get(signal.name, [-1, 0])
        today = at_us // DAY_US
        count = count + 1 if today == day else 1
        self._calibrated_on[signal.name] = [today, count]
        if count > CALIBRATIONS_A_DAY:
            return
        series = book.of_signal(self._machine.id, signal.name)
        key = series.key if series else key_of_signal(self._machine.id, signal.name)
        if series is None:
            content: dict[str, Any] = {"title": signal.label()[:80], "unit": signal.unit,
                                       "signal": signal.name}  # fmt: skip
            length = length_um(1.0, signal.unit)  # a length is kept in um, whatever is sent
            if length is not None:
                content["least"] = LEAST_UM
            if signal.tolerance:
                content["tolerance"] = signal.tolerance * (length or 1.0)
            self._file(at_us, "series", key, content, out)
        unit = signal.unit
        self._file(at_us, "measured", key, {"value": float(f"{value:.9g}"), "unit": unit}, out)

    def _file(self, at_us: int, what: str, key: str, content: Mapping[str, Any], out: Out) -> None:
        """Write what condmon itself found into the book, in the way of everything else."""
        text = json.dumps(content, separators=(",", ":"))
        filed = Filed(at_us, self._machine.id, what, "", key, text)
        names = {self._machine.id: self._machine.name}
        told = self._servicebook.take(filed, names, {})
        out.append((at_us // SECOND_US, told.entry))

    # what a person filed

    def filed(self, told: Told, tick: int, empty: Block, out: Out) -> None:
        """Do what follows from a line of the book; `empty` is a block of no ticks at `tick`."""
        at_us, key, by = told.entry.at_us, str(told.entry.facts["key"]), told.entry.facts["by"]
        what = told.entry.facts["what"]
        if what in WORK:
            for check, _ in self._checks:
                check.worked(told.entry.text.partition(";")[0])
        match what:
            case "visit":
                self._file(at_us, "evidence", key, self._evidence(), out)
            case "visit_begun":
                self.trial.freeze()
                self._keep_base()
                self._alerts.visit, self._alerts.visit_until = key, tick + SILENT_S
            case "visit_ended":
                self._alerts.speak(tick, out)
            case "trial":
                self.trial.begin(tick // 60 + 1)
            case "checked":
                self._file(at_us, "verdict", key, self._verdict(), out)
            case "signed" | "baseline":
                self._renew(at_us, tick, empty, out)
            case "expected":
                self._answered(at_us, key, str(by), tick, out, yes=bool(told.content["yes"]))

    def _evidence(self) -> dict[str, Any]:
        """What is open, unexplained, moving or due, and the spares that follow."""
        open_now = [a for a in self._alerts.open.values() if a.ended_us is None]
        over = [a for a in self._alerts.open.values() if a.ended_us is not None and not a.cause]
        unexplained = [*over, *self._alerts.closed.values()]
        drifts = self.trial.drifts()
        lines = evidence(open_now, unexplained, drifts) + self._inspections_to_tell()
        lines += self._calibrations_to_tell()
        parts = spares(self._machine, [*open_now, *unexplained], drifts)
        return {
            "lines": [[line.kind, line.text[:400]] for line in lines],
            "spares": [[part.part, part.why[:400]] for part in parts],
        }

    def _inspections_to_tell(self) -> list[Line]:
        """What the last inspection of a task did not find good."""
        found = []
        for task in self._servicebook.tasks.of(self._machine.id):
            words = task.not_good()
            if words:
                found.append(Line("inspection", f"{task.title}: {words}"))
        return found

    def _calibrations_to_tell(self) -> list[Line]:
        lines = []
        for series in self._servicebook.series.of(self._machine.id):
            waiting = series.open_steps()
            if waiting:
                text = f"{series.title}: a step of {series.said(waiting[-1].size)}, not answered"
                lines.append(Line("calibration", text))
            elif series.out_of_tolerance():
                text = f"{series.title}: {series.said(series.values[-1].value)}, out of tolerance"
                lines.append(Line("calibration", text))
        return lines

    def _verdict(self) -> dict[str, Any]:
        found = self.trial.findings()
        items = judge.open_items(found)
        if len(items) > OPEN_MAX:
            items = [*items[:OPEN_MAX], f"and {len(items) - OPEN_MAX} more"]
        return {
            "verdict": judge.overall(found),
            "steps": judge.by_step(found),
            "not_watched": judge.not_watched(found),
            "findings": [judge.plain(one) for one in found],
            "open": [item[:300] for item in items],
            "shapes": self.trial.shapes(),
        }

    def _renew(self, at_us: int, tick: int, empty: Block, out: Out) -> None:
        """Every comparison with the past begins anew, and what it had raised is over."""
        self.trial.renew()
        self._keep_base()
        self._servicebook.series.renew(self._machine.id, at_us)
        for check, latch in self._checks:
            if type(check).renew is Check.renew:
                continue
            check.begin_anew()
            if latch.let_go():
                self._alerts.apply(check, Event(0, "ended", tick), empty, out)

    def _answered(self, at_us: int, key: str, by: str, tick: int, out: Out, *, yes: bool) -> None:
        """A step of a calibration was expected, or was not."""
        series = self._servicebook.series.known[key]
        if not series.signal:
            return
        for check, _ in self._checks:
            check.answered(series.signal, yes=yes)
        if not yes:
            return
        self.trial.agree(series.signal)
        work = self._servicebook.visits.work_since(self._machine.id, 0)
        words = f"expected after: {work}" if work else "expected"
        for alert in self._asked(series.signal):
            for do in _CLOSING:
                action = Action(at_us, do, by, alert.id, text=words[:600])
                self._alerts.act(action, tick, out)

    def _asked(self, signal: str) -> list[Alert]:
        found = [*self._alerts.open.values(), *self._alerts.closed.values()]
        return [a for a in found if a.check == ASKING and signal in a.signals and not a.cause]

    def told(self, action: Action) -> None:
        """A note about work explains a step as an entry in the book does."""
        if action.do == "note" and action.machine == self._machine.id and speaks_of_work(action):
            self._servicebook.visits.worked(self._machine.id, action.at_us, action.text[:200])

    def take_model(self, kind: str, content: str) -> None:
        """A fitted model takes effect."""
        if kind == KIND:
            self.trial.take_model(content)

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {**self.trial.state(), "calibrated_on": self._calibrated_on}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state; models are taken up before."""
        self.trial.load(state)
        self._calibrated_on = state["calibrated_on"]
        self._base_size = self.trial.base_size()
