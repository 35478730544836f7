"""The trace of an axis stroke has another shape than the good ones before.

A stroke is brought to 64 points by its share of the way, so that slower and faster strokes compare.
The middle of the first five is the good one; the scatter between them is the measure. Three points
in a row beyond six scatters and a tenth of the trace's height, in two strokes running, are no
chance (common practice, no source).
"""

from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Marks, Said
from condmon.engine.expression import Pair
from condmon.engine.past import middle
from condmon.engine.records import F64, SECOND_US
from condmon.engine.settings import Machine, Settings, Signal
from condmon.engine.strokes import POINTS, Strokes, shape
from condmon.engine.words import changed, number, shown

GOOD = 5
IN_A_ROW, RUNNING = 3, 2
SHOWN = 16


class AxisTrace(Check):
    """Needs `axis_trace`: one array a stroke."""

    id = "axis-trace"
    sees = "the trace of an axis stroke unlike the good ones before"
    urgency = "note"
    figures: ClassVar[dict[str, float]] = {"scatters": 6.0, "share_of_height": 0.1}
    title = "an axis stroke has changed"
    why = "The shape of a stroke shows friction, play and damage at their place, before an alarm."
    look_first = (
        "Compare the two traces: one place, the ends, or everywhere?",
        "Covers, wipers and way oil where it has risen.",
        "Was the stroke run at another feed, or with a part on the table?",
    )
    caution = "A vertical axis can fall when its brake is loosened. " + LOCKOUT

    def __init__(self, settings: Settings, machine: Machine, signals: tuple[Signal, ...]) -> None:
        super().__init__(settings, machine, signals, signals[0].name)
        self._strokes = {s.name: Strokes() for s in signals}
        self._good: dict[str, list[list[float]]] = {s.name: [] for s in signals}
        self._siblings: dict[str, float] = {}  # change of each sibling's last stroke
        self._odd, self._verdict = 0, logic.UNKNOWN
        self._known = Marks([])

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a trace; its siblings beside it."""
        traces = machine.by_role("axis_trace")
        return [cls(settings, machine, (t, *(s for s in traces if s is not t))) for t in traces]

    def renew(self) -> None:
        """The next strokes are the good ones."""
        self._good = {s.name: [] for s in self.signals}
        self._siblings, self._odd, self._verdict = {}, 0, logic.UNKNOWN

    def push(self, block: Block) -> Pair:
        """The verdict on the last stroke, from its end on."""
        self._known.begin()
        on = np.full(block.n, self._verdict, np.int8)
        ended = []
        for place, signal in enumerate(self.signals):
            strokes = self._strokes[signal.name].push(*block.readings_of(signal.name), block.end_us)
            ended += [(at_us, -place, signal.name, values) for at_us, values in strokes]
        for at_us, place, name, values in sorted(ended, key=lambda e: (e[0], e[1])):
            row = min(max(int(at_us // SECOND_US - block.first), 0), block.n - 1)
            if place:
                self._sibling(name, shape(values))
            else:
                self._own(name, shape(values), row)
                on[row:] = self._verdict
        return Pair(on, on)

    def _sibling(self, name: str, stroke: F64) -> None:
        good = self._good[name]
        if len(good) < GOOD:
            self._good[name] = [*good, stroke.tolist()]
            return
        usual = float(np.abs(np.median(np.array(good), axis=0)).mean())
        self._siblings[name] = float(np.abs(stroke).mean()) / usual if usual else 1.0

    def _own(self, name: str, stroke: F64, row: int) -> None:
        if len(self._good[name]) < GOOD:
            self._good[name] = [*self._good[name], stroke.tolist()]
            return
        good = np.array(self._good[name])
        centre = np.median(good, axis=0)
        spread = 1.4826 * np.median(np.abs(good - centre), axis=0)
        height = max(float(centre.max() - centre.min()), float(np.abs(centre).max()))
        limit = np.maximum(
            self.figure["scatters"] * np.median(spread), self.figure["share_of_height"] * height
        )
        beyond = (np.abs(stroke - centre) > limit).astype(np.int64)
        in_a_row = int(np.convolve(beyond, np.ones(IN_A_ROW, np.int64)).max()) >= IN_A_ROW
        self._odd = self._odd + 1 if in_a_row else 0
        self._verdict = logic.TRUE if self._odd >= RUNNING else logic.FALSE
        worst = int(np.argmax(np.abs(stroke - centre)))
        few = np.arange(SHOWN) * (POINTS - 1) // (SHOWN - 1)
        facts = [worst / (POINTS - 1), float(centre[worst]), float(stroke[worst])]
        facts += [
            middle(list(self._siblings.values())),
            *centre[few].tolist(),
            *stroke[few].tolist(),
        ]
        self._known.add(row, facts)

    def say(self, block: Block, row: int, since: int) -> Said:
        """Where it differs most, and both traces as figures."""
        share, before, after, siblings, *both = self._known.at(row)
        signal, unit = self.signals[0], shown(self.signals[0].unit)
        what = (
            f"{signal.label().capitalize()}: at {100 * share:.0f} % of the stroke it is at "
            f"{number(after)}{unit}; {number(before)}{unit} was usual."
        )
        if siblings == siblings:
            what += f" The other axes have changed by {changed(siblings)}."
        return Said(
            what,
            "What rubs there goes on wearing.",
            {
                "share_of_stroke": round(share, 3),
                "before": " ".join(number(v) for v in both[:SHOWN]),
                "after": " ".join(number(v) for v in both[SHOWN:]),
            },
            f"stroke of {(signal.axis or signal.name).upper()} axis has changed",
            (signal.name,),
        )

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "strokes": {name: s.state() for name, s in self._strokes.items()},
            "good": self._good,
            "rest": [self._siblings, self._odd, self._verdict, self._known.state()],
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        for name, saved in state["strokes"].items():
            self._strokes[name].load(saved)
        self._good = state["good"]
        self._siblings, self._odd, self._verdict, known = state["rest"]
        self._known.load(known)
