"""Ticks: samples fall into seconds of one machine, seconds become blocks of held columns. Pure.

A second is closed by a beacon that is `lateness` past its end. Inside a second the newest sample by
its own time wins, not the newest arrival. A hole of more than SKIP_S in which not even a beacon
came is not walked through: nobody was watching, and the block after it says for how long.
"""

from collections.abc import Iterator
from typing import Any

import numpy as np

from condmon.engine.block import Block, Readings
from condmon.engine.counters import Counter
from condmon.engine.grouping import rows_of_each
from condmon.engine.ids import short_id
from condmon.engine.outputs import Entry
from condmon.engine.records import F64, I64, SECOND_US, Flags
from condmon.engine.settings import Machine
from condmon.engine.words import number, span

SKIP_S = 900
BLOCK_MAX = 3600
_NEVER = -(2**40)


class Ticks:
    """Carried state of one machine's signals.

    Carries a value, two instants and a counter per signal and the samples of open seconds.
    """

    def __init__(self, machine: Machine) -> None:
        k = len(machine.signals)
        self.machine = machine
        self.held: F64 = np.full(k, np.nan)
        self.held_tick: I64 = np.full(k, _NEVER, np.int64)
        self.heard_tick: I64 = np.full(k, _NEVER, np.int64)
        self.pending: list[Readings] = []
        self.next_tick = 0
        self.blind_s = 0  # seconds skipped just before next_tick
        self.watched_from = 0
        self.linked = True
        self.entries: list[tuple[int, Entry]] = []  # (tick, entry) of the last blocks
        self._limit = np.array(
            [np.inf if s.stale_after_s is None else s.stale_after_s for s in machine.signals]
        )
        self._moment = np.array([s.kind == "moment" for s in machine.signals], bool)
        self._counters = {
            i: Counter(s.width_bits) for i, s in enumerate(machine.signals) if s.kind == "counter"
        }

    def begin(self, tick: int) -> None:
        """The first tick there is."""
        self.next_tick = self.watched_from = tick

    def add(self, readings: Readings) -> None:
        """Keep accepted samples until their second is closed."""
        if len(readings.at_us):
            self.pending.append(readings)

    def doubt_counters(self) -> None:
        """A device of this machine restarted: the next step of its counters cannot be told."""
        for counter in self._counters.values():
            counter.doubtful = True

    def link(self, *, up: bool) -> None:
        """The way to the broker came up or went down."""
        self.linked = up

    def close(self, targets: list[int]) -> Iterator[Block]:
        """Blocks up to the last target; `targets` are the first open ticks after each beacon."""
        ready = self._take(targets[-1])
        for start, stop, blind_s in self._stretches(targets, ready.at_us // SECOND_US):
            for first in range(start, stop, BLOCK_MAX):
                last = min(first + BLOCK_MAX, stop)
                yield self._block(first, last, ready, blind_s if first == start else 0)

    def empty(self, tick: int) -> Block:
        """A block of no ticks at a tick, for what happens between seconds."""
        k = len(self.machine.signals)
        wide = np.empty((0, k))
        few = np.empty(0, np.int64)
        return Block(self.machine, tick, wide, wide, wide, wide, few, Readings.joined([]), 0)

    def _take(self, target: int) -> Readings:
        """Pending samples of ticks before `target`, in order of time (arrival breaks a tie)."""
        whole = Readings.joined(self.pending)
        if np.any(np.diff(whole.at_us) < 0):
            whole = whole.pick(np.argsort(whole.at_us, kind="stable"))
        split = int(np.searchsorted(whole.at_us, target * SECOND_US))
        self.pending = [whole.pick(slice(split, None))] if split < len(whole.at_us) else []
        return whole.pick(slice(split))

    def _stretches(self, targets: list[int], ticks: I64) -> list[tuple[int, int, int]]:
        """(start, stop, seconds skipped before start) of the ticks to walk through."""
        out: list[tuple[int, int, int]] = []
        start = at = self.next_tick
        blind_s = self.blind_s
        for target in targets:
            marks = [target]
            if target - at > SKIP_S:
                marks = [*np.unique(ticks[(ticks >= at) & (ticks < target)]).tolist(), target]
            for tick in marks:
                if tick - at > SKIP_S:
                    if at > start:
                        out.append((start, at, blind_s))
                        blind_s = 0
                    blind_s += tick - at
                    start = at = tick
                at = max(at, min(tick + 1, target))
        if at > start:
            out.append((start, at, blind_s))
            blind_s = 0
        self.next_tick, self.blind_s = at, blind_s
        return out

    def _blind(self, tick: int, blind_s: int) -> None:
        self.watched_from = tick
        text = f"nothing was recorded for {span(blind_s)}; what happened then is not known"
        self.entries.append(
            (
                tick,
                Entry(
                    short_id("blind", self.machine.id, tick),
                    tick * SECOND_US,
                    self.machine.id,
                    "gap",
                    text,
                    {"seconds": blind_s},
                ),
            )
        )

    def _block(self, first: int, stop: int, ready: Readings, blind_s: int) -> Block:
        if blind_s:
            self._blind(first, blind_s)
        a, b = np.searchsorted(ready.at_us, [first * SECOND_US, stop * SECOND_US])
        here = ready.pick(slice(int(a), int(b)))
        n, k = stop - first, len(self.machine.signals)
        row = here.at_us // SECOND_US - first
        place = row * k + here.column
        value, age = self._hold(first, n, place, here)
        heard = self._heard(first, n, place)
        rows = dict(rows_of_each(here.column))
        increase = self._increase(first, value, n, k, row, here, rows)
        ticks = np.arange(first, stop, dtype=np.int64)
        if not self.linked:
            self.watched_from = stop
        watch = np.maximum(ticks - self.watched_from, 0)
        block = Block(self.machine, first, value, age, heard, increase, watch, here, blind_s)
        block.rows_by_column = rows
        return block

    def _hold(self, first: int, n: int, place: I64, here: Readings) -> tuple[F64, F64]:
        """Held values and their ages, both (n, k); `place` is where each sample falls in them."""
        k = len(self.machine.signals)
        given = here.value
        if not here.usable.all():
            place, given = place[here.usable], given[here.usable]
        value, age = np.zeros((n, k)), np.zeros((n, k))
        value.ravel()[place] = given  # the last one in time stays
        seen = _seen(n, k, place)
        held, held_tick = self.held, self.held_tick
        self.held, self.held_tick = value[-1].copy(), np.full(k, first + n - 1, np.int64)
        gaps = np.flatnonzero(~seen.all(axis=0))  # the other columns hold nothing over
        if len(gaps):
            at, old = _since(first, seen[:, gaps], held_tick[gaps])
            carried = np.take_along_axis(value[:, gaps], np.maximum(at, 0), 0)
            carried = np.where(at >= 0, carried, held[gaps])
            self.held[gaps] = carried[-1]
            self.held_tick[gaps] = np.where(at[-1] >= 0, at[-1] + first, held_tick[gaps])
            value[:, gaps] = np.where(old > self._limit[gaps], np.nan, carried)
            age[:, gaps] = old
        if self._moment.any():
            value[:, self._moment] = seen[:, self._moment]
        return value, age

    def _heard(self, first: int, n: int, place: I64) -> F64:
        """Seconds since anything arrived, (n, k)."""
        k = len(self.machine.signals)
        out = np.zeros((n, k))
        seen = _seen(n, k, place)
        heard_tick = np.full(k, first + n - 1, np.int64)
        gaps = np.flatnonzero(~seen.all(axis=0))
        if len(gaps):
            before = self.heard_tick[gaps]
            at, out[:, gaps] = _since(first, seen[:, gaps], before)
            heard_tick[gaps] = np.where(at[-1] >= 0, at[-1] + first, before)
        self.heard_tick = heard_tick
        return out

    def _increase(
        self, first: int, value: F64, n: int, k: int, row: I64, here: Readings,
        places: dict[int, I64],
    ) -> F64:  # fmt: skip
        """How far each counter moved in each tick, (n, k)."""
        out = np.zeros((n, k))
        for column, counter in self._counters.items():
            its = places.get(column, row[:0])
            rows = np.unique(row[its[here.usable[its] & ~np.isnan(here.value[its])]])
            rows = rows[~np.isnan(value[rows, column])]  # "no value" came later in that second
            out[rows, column], events = counter.push(rows, value[rows, column])
            for event in events:
                self._tell_counter(first + event.row, column, event.kind, event.before, event.after)
        return out

    def _tell_counter(self, tick: int, column: int, kind: str, before: float, after: float) -> None:
        signal = self.machine.signals[column]
        said = {
            "restarted": "started again",
            "glitch": "went back by a little and is ignored there",
            "unknown span": "may have restarted in between; this step cannot be told",
        }[kind]
        text = f"{signal.label()}: the counter {said} ({number(before)} to {number(after)})"
        entry = Entry(
            short_id("counter", self.machine.id, signal.name, tick, kind),
            tick * SECOND_US,
            self.machine.id,
            "sensor",
            text,
            {"signal": signal.name, "before": before, "after": after},
        )
        self.entries.append((tick, entry))

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "held": self.held,
            "held_tick": self.held_tick,
            "heard_tick": self.heard_tick,
            "pending": list(Readings.joined(self.pending)),
            "next_tick": self.next_tick,
            "blind_s": self.blind_s,
            "watched_from": self.watched_from,
            "linked": self.linked,
            "counters": [c.state() for c in self._counters.values()],
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self.held, self.held_tick = state["held"], state["held_tick"]
        self.heard_tick, self.next_tick = state["heard_tick"], state["next_tick"]
        self.blind_s = state["blind_s"]
        self.pending = [Readings(*state["pending"])] if len(state["pending"][0]) else []
        self.watched_from, self.linked = state["watched_from"], state["linked"]
        for counter, saved in zip(self._counters.values(), state["counters"], strict=True):
            counter.load(saved)


def _seen(n: int, k: int, place: I64) -> Flags:
    """At which ticks anything came from each signal, (n, k)."""
    out = np.zeros(n * k, bool)
    out[place] = True
    return out.reshape(n, k)


def _since(first: int, seen: Flags, before: I64) -> tuple[I64, F64]:
    """Row of the last sample at each tick, -1 before the first, and its age in s; both (n, k)."""
    row = np.arange(len(seen), dtype=np.int64)[:, None]
    at = np.maximum.accumulate(np.where(seen, row, -1), axis=0)
    old = (row + first - np.where(at >= 0, at + first, before)).astype(np.float64)
    old[(at < 0) & (before == _NEVER)] = np.inf
    return at, old
