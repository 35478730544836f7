"""Duty: what a machine is doing, from the configuration's conditions or from its roles. Pure."""

from typing import Any

import numpy as np

from condmon.engine.block import Block
from condmon.engine.expression import Condition
from condmon.engine.ids import short_id
from condmon.engine.logic import TRUE, UNKNOWN
from condmon.engine.outputs import Entry
from condmon.engine.records import I64, SECOND_US
from condmon.engine.settings import Machine

TURNING_MIN = 50.0
"""Below this speed (/min) a spindle counts as standing (common practice, no source)."""
TOLD_AFTER_S = 60


def duties(machine: Machine) -> tuple[tuple[str, str], ...]:
    """Name and condition of each duty, the first true one wins; what remains is idle."""
    given = machine.duty or _by_role(machine)
    return tuple((name, when) for name, when in given if name != "idle")


def names(machine: Machine) -> tuple[str, ...]:
    """The words that `duty` can be compared with; the last one is idle."""
    return (*(name for name, _ in duties(machine)), "idle")


def _by_role(machine: Machine) -> tuple[tuple[str, str], ...]:
    power, speed = machine.by_role("power"), machine.by_role("spindle_speed")
    out = []
    if power:
        out.append(("off", f"not {power[0].name}"))
    if speed:
        out.append(("turning", f"{speed[0].name} > {TURNING_MIN:g}"))
    return tuple(out)


class Duty:
    """Sets `block.duty` and tells changes that last. Carries two codes and a count."""

    def __init__(self, machine: Machine) -> None:
        self.names = names(machine)
        kinds = {s.name: s.kind for s in machine.signals}
        self._conditions = [Condition(when, kinds) for _, when in duties(machine)]
        self._told, self._now, self._ticks, self._since = -1, -1, 0, 0
        self._last = -1  # code of the last tick, for who looks in; not carried over a restart

    def push(self, block: Block) -> list[tuple[int, Entry]]:
        """Set the duty column; (tick, entry) of each change that lasted a minute."""
        code = np.full(block.n, len(self.names) - 1, np.int64)
        for i in reversed(range(len(self._conditions))):
            on = self._conditions[i].push(block).on
            code = np.where(on == TRUE, i, np.where(on == UNKNOWN, -1, code))
        if not self._conditions:
            code[:] = -1
        block.duty, self._last = code, int(code[-1])
        return self._changes(block, code)

    def _changes(self, block: Block, code: I64) -> list[tuple[int, Entry]]:
        out: list[tuple[int, Entry]] = []
        edges = np.flatnonzero(np.diff(code)) + 1
        for start, stop in zip([0, *edges.tolist()], [*edges.tolist(), len(code)], strict=True):
            now = int(code[start])
            if now < 0:
                continue
            if now != self._now:
                self._now, self._ticks, self._since = now, 0, block.first + start
            before, self._ticks = self._ticks, self._ticks + stop - start
            if now != self._told and self._ticks > TOLD_AFTER_S:
                self._told = now
                row = start + max(TOLD_AFTER_S - before, 0)
                out.append((block.first + row, self._entry(block)))
        return out

    def _entry(self, block: Block) -> Entry:
        machine, name = block.machine, self.names[self._now]
        return Entry(
            short_id("duty", machine.id, self._since, name),
            self._since * SECOND_US,
            machine.id,
            "duty",
            f"{machine.name} is {name}",
            {"duty": name},
        )

    def now(self) -> tuple[str, int | None]:
        """The duty of the last tick and the tick since which it lasts; "" where unknown."""
        if self._last < 0 or self._last != self._now:
            return "", None
        return self.names[self._last], self._since

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "counts": [self._told, self._now, self._ticks, self._since],
            "conditions": [c.state() for c in self._conditions],
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._told, self._now, self._ticks, self._since = state["counts"]
        for condition, saved in zip(self._conditions, state["conditions"], strict=True):
            condition.load(saved)
