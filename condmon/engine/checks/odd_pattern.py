"""An odd pattern that no other check names: frames unlike all healthy ones of the same duty.

The model is fitted at night or by `condmon learn` (`oddmodel.py`, `oddness.py`, `frames.py`). Its
threshold comes from days held back, for a stated number of false alerts a week; one episode is one
alert. Until there is a model the check is silent and says in the log how far it has learned.
"""

from typing import Any, ClassVar, NamedTuple, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Marks, Said, Taken
from condmon.engine.duty import names
from condmon.engine.expression import Pair
from condmon.engine.frames import Frames, features
from condmon.engine.ids import short_id
from condmon.engine.logic import Truth
from condmon.engine.minutely import DAY_MIN, MINUTE_S, Minutely
from condmon.engine.oddmodel import KIND, OddModel, OddModelError, read_model
from condmon.engine.oddness import Detector
from condmon.engine.outputs import Entry, Facts
from condmon.engine.records import F64, I64, SECOND_US
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import number, shown

DAY_FRAMES = 240
"""A day with four hours of frames counts as a day to learn from."""
SHARE_TOLD = 0.1
"""What makes up a tenth of the oddness is named."""
TOLD_MAX = 3


class Kept(NamedTuple):
    """Frames set aside for learning."""

    minute: I64
    duty: I64
    rows: F64


class OddPattern(Check):
    """Needs anything that is measured, and a fitted model."""

    id = "odd-pattern"
    sees = "a pattern over all signals that no other check names"
    model = KIND
    urgency = "today"
    release_s = 60.0
    figures: ClassVar[dict[str, float]] = {"alerts_a_week": 1.0, "days_min": 7.0}
    title = "odd pattern"
    why = (
        "The signals together are unlike all healthy days in this duty, and no check knows why: "
        "an oddity without a known cause is open work."
    )
    look_first = (
        "What changed: program, tool, material, fixture, coolant, a visit, the weather?",
        "Look at the named signals one by one, beside the same hour of a healthy day.",
        "Note the cause when it is found; frames of that time are left out of the next learning.",
    )
    caution = LOCKOUT

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._frames = Frames(self.machine)
        self._duties = names(self.machine)
        self._on: OddModel | None = None
        self._detectors: dict[str, Detector] = {}
        self._now = [-1, -1, logic.UNKNOWN]  # last minute, its duty, what it said
        self._marks = Marks([np.nan])
        self._days = [-1, 0, 0, 0]  # day, frames of it, days that count, days told
        self.kept: list[Kept] | None = None  # a list: frames are set aside for learning

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a machine."""
        found = features(machine)
        if not found:
            return ""
        wanted = {name for feature in found for name in feature.signals}
        return [cls(settings, machine, tuple(s for s in machine.signals if s.name in wanted))]

    def take_model(self, made: str, content: str) -> str:
        """A model of this machine with just these features, or why not."""
        try:
            model = read_model(content)
        except OddModelError as error:
            return str(error)
        if model.machine != self.machine.id:
            return f"it was made for {model.machine}"
        if model.features != tuple(f.name for f in self._frames.features):
            return "it was made for other signals: run condmon learn again"
        before = self._detectors
        self._on, self._now = model, [-1, -1, logic.UNKNOWN]
        self._detectors = {
            name: Detector(duty.usual, watcher=duty.watcher, threshold=duty.threshold)
            for name, duty in model.duties.items()
        }
        for name in before.keys() & self._detectors.keys():  # an open episode lives on
            self._detectors[name].episode = before[name].episode
        return ""

    def learned(self) -> Taken:
        """The duties it has learned, or how far it has come."""
        if self._on is None:
            line = f"still learning ({self._days[2]} of {int(self.figure['days_min'])} days)"
            return Taken(self.title, (line,))
        lines = [
            f"{name}: learned from {duty.frames} minutes of {duty.days} days"
            for name, duty in self._on.duties.items()
        ]
        lines += [f"{name}: not learned: {why}" for name, why in self._on.refused.items()]
        budget = f"{number(self._on.alerts_a_week)} false alerts a week are allowed for"
        return Taken(self.title, (*lines, budget), f"{self.title}: {'; '.join(lines)}")

    def push(self, block: Block) -> Pair:
        """True from the frame that makes an episode to the one that ends it."""
        self._marks.begin()
        column = np.full(block.n, self._now[2], np.int8)
        if block.blind_s:
            self._forget()
            column[:] = logic.UNKNOWN
        minutes = block.minutes
        rows = self._frames.push(minutes)
        if self.kept is not None and len(rows):
            self.kept.append(Kept(minutes.minute, minutes.duty, rows))
        if not self._on:
            self._count(minutes)
            return Pair(column, column)
        after, same = np.diff(minutes.minute) == 1, np.diff(minutes.duty) == 0
        edges = (np.flatnonzero(~(after & same)) + 1).tolist()
        for start, stop in zip([0, *edges], [*edges, len(rows)], strict=True):
            if start < stop:
                self._judge(minutes.cut(start, stop), rows[start:stop], column)
        return Pair(column, column)

    def _forget(self) -> None:
        """Nobody watched for a while: windows begin anew."""
        self._now = [-1, -1, logic.UNKNOWN]
        for detector in self._detectors.values():
            detector.restart()

    def _judge(self, run: Minutely, frames: F64, column: Truth) -> None:
        """What minutes of one duty say that follow on each other, by its detector, into a block."""
        minute, duty = int(run.minute[0]), int(run.duty[0])
        name = self._duties[duty] if duty >= 0 else ""
        detector = self._detectors.get(name)
        # an open episode of another duty cannot be judged now
        others = any(d.episode.open for key, d in self._detectors.items() if key != name)
        calm = logic.UNKNOWN if others else logic.FALSE
        said = logic.UNKNOWN
        if detector is None:
            column[int(run.row[0]) :] = said
        else:
            if [minute, duty] != [self._now[0] + 1, self._now[1]]:
                detector.restart()
            seen = detector.push(frames)
            known = ~np.isnan(seen.score)
            for i, row in enumerate(run.row.tolist()):
                said = logic.TRUE if seen.odd[i] else calm if known[i] else logic.UNKNOWN
                column[row:] = said
                if seen.odd[i] and known[i]:
                    facts = [float(duty), float(seen.score[i]), *seen.share[i], *seen.mean[i]]
                    self._marks.add(row, [*facts, *seen.centre[i]])
        self._now = [int(run.minute[-1]), duty, said]

    def _count(self, minutes: Minutely) -> None:
        """Without a model: how many days there are to learn from, told once a day."""
        wanted = int(self.figure["days_min"])
        for minute, row_duty in zip(minutes.minute.tolist(), minutes.duty.tolist(), strict=True):
            day = minute // DAY_MIN
            if day != self._days[0]:
                self._days[:2] = [day, 0]
                if self._days[2] > self._days[3] and self._days[3] < wanted:
                    self._days[3] = self._days[2]
                    self.entries.append((minute * MINUTE_S + MINUTE_S - 1, self._progress(minute)))
            self._days[1] += row_duty >= 0
            self._days[2] += row_duty >= 0 and self._days[1] == DAY_FRAMES

    def _progress(self, minute: int) -> Entry:
        days, wanted = self._days[2], int(self.figure["days_min"])
        text = f"odd pattern: still learning ({days} of {wanted} days)"
        if days >= wanted:
            text = f"odd pattern: {days} days are recorded, enough to learn from tonight"
        at_us = (minute + 1) * MINUTE_S * SECOND_US
        facts: Facts = {"check": self.id, "days": days, "days_needed": wanted}
        made = short_id("odd-learning", self.machine.id, minute)
        return Entry(made, at_us, self.machine.id, "model", text, facts)

    def say(self, block: Block, row: int, since: int) -> Said:
        """Which signals made it odd, each with its usual range in this duty."""
        mark = self._marks.at(row)
        assert self._on is not None
        found, p = self._frames.features, len(self._frames.features)
        duty, score = self._duties[int(mark[0])], mark[1]
        share, mean, centre = np.array(mark[2:]).reshape(3, p)
        usual = self._on.duties[duty].usual
        order = np.argsort(-share, kind="stable")[:TOLD_MAX].tolist()
        told = [i for i in order if share[i] >= SHARE_TOLD * share.sum()] or order[:1]
        parts = []
        for i in told:
            unit = shown(found[i].unit)
            low, high = centre[i] - 3 * usual.spread[i], centre[i] + 3 * usual.spread[i]
            usually = f"usually {number(low)} to {number(high)}{unit}"
            if low <= mean[i] <= high:
                usually = f"{usually}, and at most odd beside the other signals"
            parts.append(f"{found[i].words} is {number(float(mean[i]))}{unit} ({usually})")
        what = f"Unlike all healthy frames while {duty}: {'; '.join(parts)}."
        signals = dict.fromkeys(name for i in told for name in found[i].signals)
        return Said(
            what,
            "Nobody knows: it may be nothing, or the start of what a check names later.",
            {"score": round(score, 2), "duty": duty, "alerts_a_week": self._on.alerts_a_week},
            f"odd pattern: {found[told[0]].words}",
            tuple(signals),
        )

    def state(self) -> dict[str, Any]:
        """What has to survive a restart; the model itself is kept by the watch."""
        return {
            **super().state(),
            "frames": self._frames.state(),
            "detectors": {name: d.state() for name, d in self._detectors.items()},
            "now": self._now,
            "marks": self._marks.state(),
            "days": self._days,
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        super().load(state)
        self._frames.load(state["frames"])
        for name, saved in state["detectors"].items():
            self._detectors[name].load(saved)
        self._now, self._days = state["now"], state["days"]
        self._marks.load(state["marks"])
