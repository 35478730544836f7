"""A hard stop: a load peak and a spindle that stands still from one second to the next.

Drives allow short overloads of up to two and a half times; 150 % together with a spindle that loses
nine tenths of its speed within a second is no programmed stop, whose peak comes with the braking
and not before it (common practice, no source). What has changed since is told once there are
twenty minutes at the same speed again.
"""

from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic, rolling
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Marks, Said, first
from condmon.engine.expression import Pair
from condmon.engine.ids import short_id
from condmon.engine.logic import Column
from condmon.engine.outputs import Entry
from condmon.engine.records import SECOND_US
from condmon.engine.settings import Machine, Settings
from condmon.engine.since import Since
from condmon.engine.words import number

PEAK_S = 4
SPEED_MIN = 300.0
LEFT = 0.1
LASTS_S = 600
LOADS = ("spindle_load", "axis_load")


class HardStop(Check):
    """Needs `spindle_speed` and a `spindle_load` or `axis_load`."""

    id = "hard-stop"
    sees = "a load peak and a spindle that stops within a second"
    urgency = "now"
    figures: ClassVar[dict[str, float]] = {"peak": 150.0}
    title = "hard stop"
    why = (
        "A collision can cost geometry, spindle bearings and the next parts; what it did often "
        "shows only hours later, as heat or vibration."
    )
    look_first = (
        "Stop and look: tool, holder, part, fixture. Was it a crash or an emergency stop?",
        (
            "Lock out, then turn the spindle by hand: does it grate? Afterwards warm up slowly and "
            "compare heat and vibration with before."
        ),
        "Probe and tool setter: calibrate before the next part; check the geometry.",
    )
    caution = "Broken tools and parts are sharp and may be loose. " + LOCKOUT

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._windows = [rolling.Window(PEAK_S) for _ in self.signals[1:]]
        self._before = float("nan")
        self._until = 0  # tick up to which the last stop is the present one
        self._stop = Marks([0.0] * (2 + len(self._windows)))  # tick, speed before, peaks
        self._since = Since(self.machine)

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a machine."""
        speed = first(machine, "spindle_speed")
        loads = tuple(s for role in LOADS for s in machine.by_role(role))
        if not speed and not loads:
            return ""
        if not speed:
            return "a spindle speed (role spindle_speed)"
        if not loads:
            return "a load of spindle or axis (role spindle_load or axis_load)"
        return [cls(settings, machine, (speed, *loads))]

    def push(self, block: Block) -> Pair:
        """True for ten minutes from each hard stop on."""
        self._stop.begin()
        rows, peaks, before = self._stops(block)
        on = np.zeros(block.n, bool)
        on[: max(self._until - block.first, 0)] = True
        for row in rows:
            tick = block.first + row
            self._until = tick + LASTS_S
            on[row : row + LASTS_S] = True
            facts = [float(tick), float(before[row]), *(float(p[row]) for p in peaks)]
            self._stop.add(row, facts)
        starts = [(row, float(before[row])) for row in rows]
        for row, text, changes in self._since.push(block.first, block.minutes, starts):
            self._tell(block.first + row, text, changes)
        speed = block.value_of(self.signals[0].name)
        out = logic.truth(on, on | ~np.isnan(speed))
        return Pair(out, out)

    def _stops(self, block: Block) -> tuple[list[int], list[Column], Column]:
        """Rows of hard stops, peaks of each load at every row, speed of the tick before."""
        speed = block.value_of(self.signals[0].name)
        if block.blind_s:
            self._before = float("nan")
        before = np.concatenate([[self._before], speed[:-1]])
        self._before = float(speed[-1])
        peaks = []
        for window, load in zip(self._windows, self.signals[1:], strict=True):
            whole = window.extend(block.value_of(load.name), block.blind_s)
            high = bool(np.any(whole >= self.figure["peak"]))
            peaks.append(
                rolling.extreme(whole, PEAK_S, highest=True) if high else whole[PEAK_S - 1 :]
            )
        with np.errstate(invalid="ignore"):
            fell = (np.abs(before) > SPEED_MIN) & (np.abs(speed) < LEFT * np.abs(before))
            high_rows = np.zeros(block.n, bool)
            for peak in peaks:
                high_rows |= peak >= self.figure["peak"]
        return np.flatnonzero(fell & high_rows).tolist(), peaks, before

    def _tell(self, tick: int, text: str, changes: dict[str, float]) -> None:
        at_us = tick * SECOND_US
        entry = Entry(
            short_id("since", self.machine.id, tick), at_us, self.machine.id, "since", text, changes
        )
        self.entries.append((tick, entry))

    def say(self, block: Block, row: int, since: int) -> Said:
        """Speed before and the peaks."""
        _, before, *peaks = self._stop.at(row)
        loads = self.signals[1:]
        high = sorted(
            (
                (peak, s)
                for peak, s in zip(peaks, loads, strict=True)
                if peak >= self.figure["peak"] / 2
            ),
            key=lambda pair: -pair[0],
        )
        listed = ", ".join(f"{s.label()} {number(peak)} %" for peak, s in high)
        return Said(
            f"The spindle went from {number(abs(before))} /min to a stand within 1 s, with peaks: "
            f"{listed}.",
            "What was hurt goes on wearing; a damaged bearing shows as heat within the hour.",
            {"speed_before": before, **{s.name: peak for peak, s in high}},
        )

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "windows": [w.tail for w in self._windows],
            "rest": [self._before, self._until, self._stop.state()],
            "since": self._since.state(),
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        for window, tail in zip(self._windows, state["windows"], strict=True):
            window.load({"tail": tail})
        self._before, self._until, stop = state["rest"]
        self._stop.load(stop)
        self._since.load(state["since"])
