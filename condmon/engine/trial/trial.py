"""One machine's return-to-service run: learns what is usual, compares a run with it. Pure.

Always at work: the baseline has to be there before anything breaks. At the begin of a visit what
was last is kept, so that a run afterwards shows baseline, worn and now side by side. A new baseline
forgets all of it: nothing is joined across.
"""

import math
from typing import Any

from condmon.engine.block import Block
from condmon.engine.past import Past, middle
from condmon.engine.records import F64, I64
from condmon.engine.settings import Machine
from condmon.engine.trial.judge import Figures, Finding, judged
from condmon.engine.trial.media import Media
from condmon.engine.trial.moves import GOOD, Moves, Traces, centre_of, differs
from condmon.engine.trial.points import Look, Point
from condmon.engine.trial.turning import Bearings, axes, vibration

POINTS_MAX = 200
VALUES_MAX = 1440
RECENT = 30
DRIFT = 0.5
"""Share of the tolerance at which a point is named as moving, long before it fails."""


class Trial:
    """Carried: a past and the last values of each point, those of a run, strokes."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._media, self._moves = Media(machine), Moves(machine)
        self._bearings, self.traces = Bearings(machine), Traces(machine)
        self._points: dict[str, Point] = {}
        self._pasts: dict[str, Past] = {}
        self._before: dict[str, float] = {}
        self._traces_before: dict[str, list[float]] = {}
        self._run: dict[str, list[float]] = {}
        self._agreed: dict[str, float] = {}  # signal -> value after a confirmed step
        self.since = 0  # first minute of the run, 0: none is on

    def push(self, block: Block) -> None:
        """Learn from a block, after duty and minutes are set."""
        self.traces.learn(block, running=bool(self.since))
        taken = self._moves.learn(block) + self._bearings.learn(block)
        if len(block.minutes.minute):
            look = Look(self._machine, block.minutes)
            taken += self._media.learn(look) + vibration(look) + axes(look)
        for one in taken:
            self._take(*one)

    def _take(self, point: Point, minute: I64, value: F64) -> None:
        if not len(minute) or not self._keeps(point):
            return
        self._pasts[point.key].push(minute, value)
        if self.since:
            fresh = value[(minute >= self.since) & (value == value)].tolist()
            self._run[point.key] = [*self._run.get(point.key, []), *fresh][:VALUES_MAX]

    def _keeps(self, point: Point) -> bool:
        """Whether there is room for a point; it gets its past."""
        if point.key not in self._points and len(self._points) >= POINTS_MAX:
            return False
        self._points[point.key] = point
        if point.key not in self._pasts:
            recent = 1 if point.day_least == 1 else max(3, min(RECENT, point.least))
            self._pasts[point.key] = Past(point.day_least, point.share, recent=recent)
        return True

    # what people do

    def freeze(self) -> None:
        """A visit begins: keep what was last."""
        self._before = {key: past.now() for key, past in self._pasts.items()}
        self._traces_before = {name: centre_of(v) for name, v in self.traces.last.items()}

    def begin(self, minute: int) -> None:
        """A run begins with this minute."""
        self.since, self._run = minute, {}
        self.traces.run = {s.name: [] for s in self.traces.signals}

    def end(self) -> None:
        """The run is over."""
        self.since = 0

    def agree(self, signal: str) -> None:
        """A person confirmed a step of a signal: what it is now counts instead of the baseline."""
        for key, point in self._points.items():
            if point.signal == signal:
                now = self._pasts[key].now()
                if now == now:
                    self._agreed[signal] = now

    def renew(self) -> None:
        """A new baseline: everything before it is of another machine."""
        self._pasts, self._before, self._run, self._agreed = {}, {}, {}, {}
        self._traces_before, self.since = {}, 0
        self._points = {}
        self.traces.renew()

    def take_model(self, content: str) -> None:
        """A fitted thermal model takes effect."""
        self._bearings.take_model(content)

    # what came of it

    def findings(self) -> list[Finding]:
        """The verdict on each point that this machine has, as of now."""
        known = [judged(point, self._figures(point)) for point in self._points.values()]
        asked = [one for one in known if not _beside_the_run(one)]
        compared = {one.signal for one in asked if one.step == "speed" and one.base == one.base}
        asked = [one for one in asked if not _new_speed(one) or one.signal not in compared]
        told = {one.signal for one in asked if one.step == "speed"}
        still = {one.signal: one for one in known if one.step == "speed" and one.signal not in told}
        asked += [_never_at_speed(one) for one in still.values()]
        return sorted(asked, key=lambda f: f.key) + [
            self._stroke(s.name, s.label()) for s in self.traces.signals
        ]

    def _figures(self, point: Point) -> Figures:
        values = self._run.get(point.key, [])
        enough = len(values) >= point.least
        return Figures(
            middle(values, point.share) if enough else math.nan,
            self._pasts[point.key].usual(),
            self._before.get(point.key, math.nan),
            len(values),
            self._agreed.get(point.signal, math.nan),
        )

    def _stroke(self, name: str, label: str) -> Finding:
        good, run = self.traces.good[name], self.traces.run[name]
        words = f"{label}: shape of the stroke"
        nan = math.nan
        if len(good) < GOOD or not run:
            why = "no stroke came in the run" if not run else "there is no baseline yet"
            return Finding(f"axes/{name}", "axes", name, words, "%", "cannot tell", nan, nan, nan,
                           why)  # fmt: skip
        now, base = centre_of(run), centre_of(good)
        before = self._traces_before.get(name, [])
        odd, worst = differs(good, now)
        why = f"at {100 * worst / (len(base) - 1):.0f} % of the way, where it differs most"
        return Finding(f"axes/{name}", "axes", name, words, "%", "fail" if odd else "pass",
                       now[worst], base[worst], before[worst] if before else nan, why)  # fmt: skip

    def shapes(self) -> dict[str, dict[str, list[float]]]:
        """Strokes of each axis: of the baseline, before the work, in the run; rounded."""
        return {
            s.name: {
                "baseline": _rounded(centre_of(self.traces.good[s.name])),
                "before": _rounded(self._traces_before.get(s.name, [])),
                "now": _rounded(centre_of(self.traces.run[s.name])),
            }
            for s in self.traces.signals
        }

    def drifts(self) -> list[tuple[Point, float, float]]:
        """(point, baseline, now) of what has moved to the worse side, most moved first."""
        out = []
        for key, point in self._points.items():
            past = self._pasts[key]
            base, now = past.usual(), past.now()
            room = max(point.times * abs(base), point.off)
            apart = now - base
            worse = {"higher": apart, "lower": -apart, "either": abs(apart)}[point.worse]
            if room > 0 and worse > DRIFT * room:
                out.append((worse / room, key, point, base, now))
        out.sort(key=lambda row: (-row[0], row[1]))
        return [(point, base, now) for _, _, point, base, now in out]

    # what outlives a new beginning of the engine

    def base(self) -> dict[str, Any]:
        """The baseline, and what was kept before the work: plain values for the service book."""
        points = [
            [point.plain(), list(self._pasts[key].figures), _plain(self._before.get(key))]
            for key, point in self._points.items()
        ]
        good = {name: list(strokes) for name, strokes in self.traces.good.items()}
        return {"points": points, "good": good, "before": dict(self._traces_before)}

    def base_size(self) -> tuple[int, int, int, int]:
        """Changes when the baseline or what was kept has changed."""
        strokes = sum(len(good) for good in self.traces.good.values())
        figures = sum(len(past.figures) for past in self._pasts.values())
        return figures, len(self._points), strokes, len(self._before)

    def put_base(self, base: dict[str, Any]) -> None:
        """Go on with a baseline of before, as far as the machine still has its signals."""
        names = {signal.name for signal in self._machine.signals}
        for fields, figures, before in base.get("points", ()):
            point = Point(*fields)
            if point.signal in names and self._keeps(point):
                self._pasts[point.key].figures = list(figures)
                self._before[point.key] = math.nan if before is None else before
        for kept, mine in (("good", self.traces.good), ("before", self._traces_before)):
            for name, strokes in base.get(kept, {}).items():
                if name in self.traces.good:
                    mine[name] = list(strokes)

    # stopping and going on

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "media": self._media.state(),
            "moves": self._moves.state(),
            "bearings": self._bearings.state(),
            "traces": self.traces.state(),
            "points": [point.plain() for point in self._points.values()],
            "pasts": {key: past.state() for key, past in self._pasts.items()},
            "kept": [self._before, self._traces_before, self._run, self._agreed, self.since],
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state; the model is taken up before."""
        self._media.load(state["media"])
        self._moves.load(state["moves"])
        self._bearings.load(state["bearings"])
        self.traces.load(state["traces"])
        for one in state["points"]:
            self._keeps(Point(*one))
        for key, saved in state["pasts"].items():
            self._pasts[key].load(saved)
        self._before, self._traces_before, self._run, self._agreed, self.since = state["kept"]


def _beside_the_run(finding: Finding) -> bool:
    """A speed that the run did not come to, or the air of a machine that was not switched off."""
    free = finding.key.startswith("speed/") or finding.key == "leaks/air-off"
    return free and finding.verdict == "cannot tell" and finding.why.startswith("0 of")


def _new_speed(finding: Finding) -> bool:
    """A speed that the baseline does not know; others of the same signal may be known."""
    return finding.step == "speed" and finding.verdict == "cannot tell"


def _never_at_speed(finding: Finding) -> Finding:
    words = finding.words.partition(", settled")[0].partition(" at ")[0]
    why = "no speed was held until it settled"
    return finding._replace(key=f"speed/{finding.signal}", words=words, why=why, base=math.nan,
                            before=math.nan)  # fmt: skip


def _plain(value: float | None) -> float | None:
    return None if value is None or value != value else value


def _rounded(values: list[float]) -> list[float]:
    return [float(f"{value:.4g}") for value in values]
