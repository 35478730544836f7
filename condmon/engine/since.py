"""Since a hard stop: each measure at the same speed before and after, compared once. Pure."""

from typing import Any

import numpy as np

from condmon.engine.minutely import Minutely
from condmon.engine.past import middle, scatter
from condmon.engine.records import F64
from condmon.engine.settings import Machine
from condmon.engine.words import number, shown, span

KEPT_MIN = 240
NEED_BEFORE, NEED_AFTER = 10, 20
SETTLE_MIN = 30
"""Bearings follow their speed with a lag of some twenty minutes; half an hour shows most of it."""
SAME_SPEED = 0.1
WAIT_MIN = 7 * 1440
LIMIT = 4.0  # scatters
LEAST = 0.02  # of the value before


class Since:
    """Carried: the last turning minutes, and those since the stop that is being watched."""

    def __init__(self, machine: Machine) -> None:
        self._signals = [s for s in machine.signals if s.kind == "measure"]
        place = {s.name: i for i, s in enumerate(machine.signals)}
        self._columns = np.array([place[s.name] for s in self._signals], np.int64)
        speeds = machine.by_role("spindle_speed")
        self._speed = place[speeds[0].name] if speeds else -1
        k = len(self._signals)
        self._before: F64 = np.empty((0, k + 1))  # speed first
        self._frozen: F64 = np.empty((0, k + 1))
        self._after: F64 = np.empty((0, k + 1))
        self._at_speed, self._minute, self._turned = 0.0, -1, 0  # of the stop; -1: none watched

    def push(
        self, first: int, minutes: Minutely, stops: list[tuple[int, float]]
    ) -> list[tuple[int, str, dict[str, float]]]:
        """(row, words, changes) of each comparison that became possible in a block."""
        if self._speed < 0:
            return []
        out = []
        rows = minutes.row.tolist()
        waiting = list(stops)
        for i, row in enumerate(rows):
            while waiting and waiting[0][0] <= row:
                self._freeze(first + waiting[0][0], waiting[0][1])
                waiting.pop(0)
            told = self._minute_over(minutes, i)
            if told:
                out.append((row, *told))
        for row, speed in waiting:
            self._freeze(first + row, speed)
        return out

    def _freeze(self, tick: int, speed: float) -> None:
        near = np.abs(self._before[:, 0] - abs(speed)) <= SAME_SPEED * abs(speed)
        self._frozen = self._before[near].copy()
        self._after = self._after[:0]
        self._at_speed, self._minute, self._turned = abs(speed), tick // 60, 0

    def _minute_over(self, m: Minutely, i: int) -> tuple[str, dict[str, float]] | None:
        speed = abs(m.mean[i, self._speed])
        if not speed > 50:
            return None
        row = np.concatenate([[speed], m.mean[i, self._columns]])[None, :]
        if self._minute < 0:
            self._before = np.concatenate([self._before, row])[-KEPT_MIN:]
            return None
        self._turned += 1
        if self._turned > SETTLE_MIN and abs(speed - self._at_speed) <= SAME_SPEED * self._at_speed:
            self._after = np.concatenate([self._after, row])
        enough = len(self._after) >= NEED_AFTER
        if not enough and m.minute[i] - self._minute < WAIT_MIN:
            return None
        told = self._compare(int(m.minute[i])) if enough else None
        self._minute = -1
        return told

    def _compare(self, minute: int) -> tuple[str, dict[str, float]] | None:
        if len(self._frozen) < NEED_BEFORE:
            return None
        changes: dict[str, float] = {}
        words = []
        for i, signal in enumerate(self._signals, 1):
            was, now = self._frozen[:, i], self._after[:, i]
            was, now = was[~np.isnan(was)], now[~np.isnan(now)]
            if signal.role == "spindle_speed" or min(len(was), len(now)) < NEED_BEFORE:
                continue
            a, b = middle(was.tolist()), middle(now.tolist())
            if abs(b - a) > max(LIMIT * scatter(was.tolist()), LEAST * abs(a)):
                changes[signal.name] = round(b - a, 3)
                unit = shown(signal.unit)
                words.append(f"{signal.label()} {number(a)}{unit} before, {number(b)}{unit} now")
        ago = span((minute - self._minute) * 60)
        listed = "; ".join(words) if words else "nothing that is measured has changed"
        return f"{ago} after the hard stop, at the same speed: {listed}", changes

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "rows": [self._before, self._frozen, self._after],
            "rest": [self._at_speed, self._minute, self._turned],
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._before, self._frozen, self._after = state["rows"]
        self._at_speed, self._minute, self._turned = state["rest"]
