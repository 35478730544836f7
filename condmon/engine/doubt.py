"""Doubt: a reading that no longer moves although it should is kept out of every check. Pure.

A working sensor scatters. One that used to change with nearly every reading, and now repeats one
value for thirty readings and ten minutes while the spindle changed speed or its sibling moved, is
stuck. From then on its value is unknown to all other checks, until it moves again.
"""

from typing import Any

import numpy as np

from condmon.engine.block import Block
from condmon.engine.records import F64, I64, Flags
from condmon.engine.settings import Machine, Signal

STEP_S = 300
READINGS, TIMES_LONGEST, SECONDS = 30, 5, 600
KNOWN_CHANGES = 10
LONGEST_MAX = 20
"""A sensor that repeats more than that when it works is too coarse to be judged."""
SPEED_MOVED = 1000.0
SIBLING_MOVED = {"Cel": 1.0, "bar": 0.5}
ROLES = {
    "bearing_temperature",
    "coolant_supply_temperature",
    "spindle_load",
    "axis_load",
    "vibration_velocity",
}


class Doubt:
    """Carried for each candidate: run of equal readings, longest usual run, what moved since."""

    def __init__(self, machine: Machine) -> None:
        signals = machine.signals
        self.signals = [s for s in signals if s.role in ROLES and s.stale_after_s is not None]
        place = {s.name: i for i, s in enumerate(signals)}
        self._columns = np.array([place[s.name] for s in self.signals], np.int64)
        self._others, self._moved = _companions(machine, self.signals, place)
        m = len(self.signals)
        self._last: F64 = np.full(m, np.nan)
        self._run: I64 = np.zeros(m, np.int64)  # readings equal to the last one
        self._since: I64 = np.zeros(m, np.int64)  # tick of the last change
        self._longest: I64 = np.zeros(m, np.int64)
        self._changes: I64 = np.zeros(m, np.int64)
        self._low: F64 = np.full((m, self._others.shape[1]), np.inf)  # of companions since then
        self._high: F64 = np.full((m, self._others.shape[1]), -np.inf)
        self.stuck: Flags = np.zeros(m, bool)
        self.news: list[tuple[int, int, bool]] = []  # (tick, signal index, stuck) for who marks

    def push(self, block: Block) -> None:
        """Judge the ticks of a block and hide what is stuck."""
        block.stuck = {}
        if not self.signals:
            return
        if block.blind_s:
            self._anew(block.first)
        value = block.value[:, self._columns].copy()
        companions = block.value[:, self._others]  # (n, m, c)
        fresh = block.age_s[:, self._columns] == 0
        start = 0
        while start < block.n:
            tick = block.first + start
            stop = min(start + STEP_S - tick % STEP_S, block.n)
            self._hide(block, start, stop)
            rows = slice(start, stop)
            self._follow(tick, value[rows], companions[rows], fresh[rows])
            if (block.first + stop) % STEP_S == 0:
                self._judge(block.first + stop - 1)
            start = stop

    def _anew(self, tick: int) -> None:
        self._run[:], self._since[:] = 0, tick
        self._low[:], self._high[:] = np.inf, -np.inf

    def _hide(self, block: Block, start: int, stop: int) -> None:
        for i in np.flatnonzero(self.stuck).tolist():
            block.hide(int(self._columns[i]), start, stop)
            block.stuck.setdefault(self.signals[i].name, np.zeros(block.n, bool))[start:stop] = True

    def _follow(self, tick: int, value: F64, companions: F64, fresh: Flags) -> None:
        """Take at most STEP_S ticks, shapes (n, m), (n, m, c), (n, m)."""
        before = np.concatenate([self._last[None, :], value[:-1]])
        changed = fresh & (np.abs(value - before) > 0)
        changed |= np.isnan(before) & ~np.isnan(value)
        self._last = value[-1].copy()
        heard = np.add.accumulate(fresh.astype(np.int64), axis=0)
        at_change = np.maximum.accumulate(np.where(changed, heard, 0), axis=0)
        any_change = np.maximum.accumulate(changed, axis=0)
        run = heard - at_change + np.where(any_change, 0, self._run)
        run_before = np.concatenate([self._run[None, :], run[:-1]])
        ended = np.where(changed & (run_before > 0), run_before, 0)
        # a run that ended a doubt is no usual one
        usual = np.where(ended <= LONGEST_MAX * 2, ended, 0).max(axis=0)
        self._longest = np.maximum(self._longest, usual)
        self._changes += changed.sum(axis=0)
        self._run = run[-1]
        rows = np.arange(len(value), dtype=np.int64)[:, None]
        last_row = np.where(changed, rows, -1).max(axis=0)
        self._since = np.where(last_row >= 0, tick + last_row, self._since)
        since = max(int(last_row.min()), 0)  # mostly near the end: a working sensor scatters
        companions = companions[since:]
        here = (rows[since:] >= last_row[None, :])[:, :, None] & ~np.isnan(companions)
        low = np.where(here, companions, np.inf).min(axis=0)
        high = np.where(here, companions, -np.inf).max(axis=0)
        begun = (last_row >= 0)[:, None]
        self._low = np.where(begun, low, np.minimum(self._low, low))
        self._high = np.where(begun, high, np.maximum(self._high, high))

    def _judge(self, tick: int) -> None:
        long = self._run > np.maximum(READINGS, TIMES_LONGEST * self._longest)
        long &= tick - self._since >= SECONDS
        able = (self._changes >= KNOWN_CHANGES) & (self._longest <= LONGEST_MAX)
        with np.errstate(invalid="ignore"):
            moved = np.any(self._high - self._low > self._moved, axis=1)
        stuck = np.where(self.stuck, self._run > 1, long & able & moved)
        for i in np.flatnonzero(stuck != self.stuck).tolist():
            self.news.append((tick, self.signals[i].index, bool(stuck[i])))
        self.stuck = stuck.astype(bool)

    def in_doubt(self) -> list[Signal]:
        """The signals that are in doubt at the last tick."""
        return [self.signals[i] for i in np.flatnonzero(self.stuck).tolist()]

    def take_news(self) -> list[tuple[int, int, bool]]:
        """What changed since this was last asked: (tick, signal index, in doubt)."""
        news, self.news = self.news, []
        return news

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "columns": [self._last, self._run, self._since, self._longest, self._changes],
            "span": [self._low, self._high],
            "stuck": self.stuck,
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._last, self._run, self._since, self._longest, self._changes = state["columns"]
        self._low, self._high = state["span"]
        self.stuck = state["stuck"]


def _companions(machine: Machine, signals: list[Signal], place: dict[str, int]) -> tuple[I64, F64]:
    """Columns (m, c) of what moves with each signal, and how far it must have moved (m, c)."""
    rows: list[list[tuple[int, float]]] = []
    for signal in signals:
        row = [(place[s.name], SPEED_MOVED) for s in machine.by_role("spindle_speed")[:1]]
        row += [
            (place[s.name], SIBLING_MOVED.get(s.unit, np.inf))
            for s in machine.by_role(signal.role or "")
            if s is not signal and s.role == "bearing_temperature"
        ]
        rows.append(row or [(place[signal.name], np.inf)])
    width = max((len(row) for row in rows), default=1)
    padded = [row + [(row[0][0], np.inf)] * (width - len(row)) for row in rows]
    columns = np.array([[c for c, _ in row] for row in padded], np.int64).reshape(-1, width)
    return columns, np.array([[d for _, d in row] for row in padded]).reshape(-1, width)
