"""Door, probe and axis strokes: what comes one by one and not by the minute. Pure."""

from typing import Any

import numpy as np

from condmon.engine.block import Block
from condmon.engine.edges import Edges
from condmon.engine.past import middle
from condmon.engine.records import F64, SECOND_US
from condmon.engine.settings import Machine, Signal
from condmon.engine.strokes import Strokes, shape
from condmon.engine.trial.points import Point, Taken, apart, first

GOOD, LAST = 5, 3
"""Strokes that make the good shape, and those that tell how it is now."""
RUN_MAX = 40
IN_A_ROW = 3
SCATTERS, SHARE_OF_HEIGHT = 6.0, 0.1
"""As in the check of strokes: three points in a row beyond both (common practice, no source)."""


class Moves:
    """Carried: edges of the door, and when it was shut last."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._times = first(machine, "door_latch_time")
        closed, latched = first(machine, "door_closed"), first(machine, "door_latched")
        both = () if closed is None or latched is None else (closed, latched)
        self._edges = [Edges(s.name, s.debounce_s) for s in both]
        self._shut_us, self._tries = 0, 0

    def learn(self, block: Block) -> list[Taken]:
        """Closings and calibrations of a block."""
        out: list[Taken] = []
        if self._times:
            at, value = block.readings_of(self._times.name)
            out.append((_latching(self._times.name), at // (60 * SECOND_US), value))
        out += self._door(block)
        for probe in self._machine.by_role("probe_offset"):
            at, value = block.readings_of(probe.name)
            out.append((_offset(probe), at // (60 * SECOND_US), value))
        return out

    def _door(self, block: Block) -> list[Taken]:
        if not self._edges:
            return []
        moves = [
            (e.known_us, which, e.at_us, e.state)
            for which, edges in enumerate(self._edges)
            for e in edges.push(block)[0]
        ]
        took: list[tuple[int, float, float]] = []
        for _, which, at_us, state in sorted(moves):
            if which == 0 and state:
                again = at_us - self._shut_us < 120 * SECOND_US
                self._tries = self._tries + 1 if again else 1
                self._shut_us = at_us
            elif which == 1 and state and self._tries:
                took.append((at_us // (60 * SECOND_US), (at_us - self._shut_us) / SECOND_US,
                             float(self._tries - 1)))  # fmt: skip
                self._tries = 0
        name = self._edges[1].name
        minute = np.array([t[0] for t in took], np.int64)
        again_point = Point("door/second-push", "door", name, "pushes too many at a closing", "1",
                            "higher", 0.0, 0.3, share=0.8, least=5, day_least=3,
                            high=0.0)  # fmt: skip
        out: list[Taken] = [(again_point, minute, np.array([t[2] for t in took]))]
        if self._times is None:
            out.append((_latching(name), minute, np.array([t[1] for t in took])))
        return out

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return [[e.state() for e in self._edges], self._shut_us, self._tries]

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        for edges, saved in zip(self._edges, state[0], strict=True):
            edges.load(saved)
        self._shut_us, self._tries = state[1], state[2]


def _latching(name: str) -> Point:
    return Point("door/latch", "door", name, "time from shut to latched", "s", "higher", 0.5, 0.3,
                 least=5, day_least=3)  # fmt: skip


def _offset(probe: Signal) -> Point:
    return Point(f"probe/{probe.name}", "probe", probe.name, probe.label(), probe.unit, "either",
                 0.0, apart(4.0, "um", probe), least=1, day_least=1)  # fmt: skip


class Traces:
    """Strokes of each axis: the good ones of the baseline, the last ones, those of a run."""

    def __init__(self, machine: Machine) -> None:
        self.signals = machine.by_role("axis_trace")
        self._strokes = {s.name: Strokes() for s in self.signals}
        self.good: dict[str, list[list[float]]] = {s.name: [] for s in self.signals}
        self.last: dict[str, list[list[float]]] = {s.name: [] for s in self.signals}
        self.run: dict[str, list[list[float]]] = {s.name: [] for s in self.signals}

    def learn(self, block: Block, *, running: bool) -> None:
        """Take up the strokes that are over."""
        for signal in self.signals:
            found = self._strokes[signal.name].push(*block.readings_of(signal.name), block.end_us)
            for _, values in found:
                self._take(signal.name, shape(values).tolist(), running=running)

    def _take(self, name: str, stroke: list[float], *, running: bool) -> None:
        if running:
            self.run[name] = [*self.run[name], stroke][-RUN_MAX:]
        if len(self.good[name]) < GOOD:
            self.good[name].append(stroke)
        self.last[name] = [*self.last[name], stroke][-LAST:]

    def renew(self) -> None:
        """The next strokes are the good ones."""
        self.good = {s.name: [] for s in self.signals}

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        strokes = {name: s.state() for name, s in self._strokes.items()}
        return [strokes, self.good, self.last, self.run]

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        for name, saved in state[0].items():
            self._strokes[name].load(saved)
        self.good, self.last, self.run = state[1:]


def centre_of(strokes: list[list[float]]) -> list[float]:
    """The middle stroke, point by point; nothing of none."""
    return [] if not strokes else np.median(np.array(strokes), axis=0).tolist()


def differs(good: list[list[float]], now: list[float]) -> tuple[bool, int]:
    """Whether a stroke is unlike the good ones, and at which of its points it is most so."""
    centre = np.array(centre_of(good))
    stroke = np.array(now)
    off: F64 = np.abs(stroke - centre)
    spread = middle([1.4826 * v for v in np.median(np.abs(np.array(good) - centre), axis=0)])
    height = max(float(centre.max() - centre.min()), float(np.abs(centre).max()))
    beyond = (off > max(SCATTERS * spread, SHARE_OF_HEIGHT * height)).astype(np.int64)
    worst = int(np.argmax(off))
    return int(np.convolve(beyond, np.ones(IN_A_ROW, np.int64)).max()) >= IN_A_ROW, worst
