"""Sensors that are silent, or that send only what cannot be used: the sensor, not the machine.

A signal is missed after its `stale_after`, counted from when condmon began to watch and, for a
sensor fed by the machine, from when its feed came on: what is silent on purpose is not missed.
What goes silent within the same two minutes is one alert, so that a dead gateway is one message;
what goes silent later is another one, so that a sensor known to be broken hides nothing.
"""

from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic, rolling
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, MAINS, Check, Said
from condmon.engine.expression import Pair
from condmon.engine.records import F64, I64, Flags
from condmon.engine.settings import Machine, Settings, Signal
from condmon.engine.words import span

GROUPS = 4
"""Alerts of one kind that a machine can have at a time; the last one takes all that is left."""
TOGETHER_S = 120
NONE = -1


class Failing:
    """Which signals of a machine fail, and in which group each does; shared by its group checks.

    Carries for each feed how long it has been on, and for each signal its group.
    """

    def __init__(self, machine: Machine, *, unusable: bool) -> None:
        self.signals = tuple(s for s in machine.signals if s.stale_after_s is not None)
        self._unusable = unusable
        place = {s.name: i for i, s in enumerate(machine.signals)}
        self._columns = np.array([place[s.name] for s in self.signals], np.int64)
        self._limit = np.array([s.stale_after_s or 0.0 for s in self.signals])
        self._feeds = {str(s.fed_by): 0 for s in self.signals if s.fed_by}
        self._group = np.full(len(self.signals), NONE, np.int64)
        self._opened = np.full(GROUPS, -(2**40), np.int64)  # tick of each group's first member
        self._block: Block | None = None
        self.silence: F64 = np.empty((0, 0))
        self.members: list[tuple[int, Flags, I64]] = []  # (row, failing, group) from there on

    def push(self, block: Block) -> None:
        """Work a block through, once for all groups."""
        if self._block is block:
            return
        self._block = block
        due = self._due_s(block)
        since = (block.age_s if self._unusable else block.heard_s)[:, self._columns]
        late = since > self._limit
        if not late.any():  # the usual case: nothing can fail
            none = np.zeros(len(self.signals), bool)
            self._sort(block.first, none)
            self.members = [(0, none, self._group.copy())]
            return
        for i, ticks in enumerate(due):
            np.minimum(since[:, i], ticks, out=since[:, i])
        self.silence, failing = since, since > self._limit
        if self._unusable:
            failing &= block.heard_s[:, self._columns] <= self._limit
        changed = np.flatnonzero(np.any(failing[1:] != failing[:-1], axis=1)) + 1
        self.members = []
        for row in [0, *changed.tolist()]:
            self._sort(block.first + row, failing[row])
            self.members.append((row, failing[row], self._group.copy()))

    def _due_s(self, block: Block) -> list[I64]:
        """For how many seconds each signal could have been heard, (n,) for each."""
        fed: dict[str | None, I64] = {None: block.watch_s}
        for name in self._feeds:
            on = logic.from_state(block.value_of(name))
            length, self._feeds[name] = rolling.runs(on, 0 if block.blind_s else self._feeds[name])
            fed[name] = np.minimum(block.watch_s, length)
        return [fed[signal.fed_by] for signal in self.signals]

    def _sort(self, tick: int, failing: Flags) -> None:
        """Put newly failing signals into a group; a group of which nothing fails is dissolved."""
        for group in range(GROUPS):
            mine = self._group == group
            if not np.any(mine & failing):
                self._group[mine] = NONE
        new = failing & (self._group == NONE)
        if not new.any():
            return
        used = [group for group in range(GROUPS) if np.any(self._group == group)]
        young = [group for group in used if tick - self._opened[group] <= TOGETHER_S]
        free = [group for group in range(GROUPS) if group not in used]
        group = young[0] if young else free[0] if free else GROUPS - 1
        if group not in used:
            self._opened[group] = tick
        self._group[new] = group

    def column(self, block: Block, group: int) -> logic.Truth:
        """Whether anything in a group fails, at each tick."""
        out = logic.constant(block.n, logic.FALSE)
        for row, failing, of in self.members:
            out[row:] = logic.TRUE if np.any(failing & (of == group)) else logic.FALSE
        return out

    def at(self, row: int, group: int) -> tuple[tuple[Signal, ...], float]:
        """The failing signals of a group at a row, and for how long the longest has."""
        _, failing, of = next(m for m in reversed(self.members) if m[0] <= row)
        mine = np.flatnonzero(failing & (of == group))
        return tuple(self.signals[i] for i in mine), float(self.silence[row, mine].max())

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {"feeds": self._feeds, "group": self._group, "opened": self._opened}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._feeds, self._group = state["feeds"], state["group"]
        self._opened = state["opened"]


class _Sensors(Check):
    """One group of failing signals."""

    unusable: ClassVar[bool]
    urgency = "today"
    hold_s = 60.0
    release_s = 60.0

    def __init__(self, settings: Settings, machine: Machine, failing: Failing, group: int) -> None:
        super().__init__(settings, machine, failing.signals, str(group + 1) if group else "")
        self._failing, self._group = failing, group

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """The groups of a machine that has a signal which should be heard again and again."""
        failing = Failing(machine, unusable=cls.unusable)
        if not failing.signals:
            return ""
        return [cls(settings, machine, failing, group) for group in range(GROUPS)]

    def push(self, block: Block) -> Pair:
        """True while any signal of the group fails."""
        self._failing.push(block)
        on = self._failing.column(block, self._group)
        return Pair(on, on)

    def state(self) -> dict[str, Any]:
        """What has to survive a restart; the first group keeps it for all."""
        return {} if self._group else self._failing.state()

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        if not self._group:
            self._failing.load(state)

    def say(self, block: Block, row: int, since: int) -> Said:
        """Which signals, and for how long."""
        found, longest = self._failing.at(row, self._group)
        names = [s.label() for s in found]
        listed = ", ".join(names[:8]) + (f" and {len(names) - 8} more" if len(names) > 8 else "")
        state = "unusable" if self.unusable else "silent"
        title = f"{len(names)} sensors {state}" if len(names) > 1 else f"{names[0]} {state}"
        return Said(
            self._sentence(listed, longest, len(names)),
            "The checks that need it stay blind until it is back.",
            {"signals": len(names), "seconds": longest},
            title,
            tuple(s.name for s in found),
        )

    def _sentence(self, listed: str, longest_s: float, number: int) -> str:
        raise NotImplementedError


class SensorSilent(_Sensors):
    """Nothing at all arrives from a signal."""

    id = "sensor-silent"
    sees = "a signal that has stopped arriving although its machine is on"
    unusable = False
    title = "sensor silent"
    why = "What condmon cannot hear it cannot watch: checks that need this signal are blind."
    look_first = (
        "Power and network of the sensor or its gateway.",
        "Has a topic been renamed? Compare with the configuration.",
        "The cable: chips and coolant find plugs first.",
    )
    caution = MAINS + LOCKOUT

    def _sentence(self, listed: str, longest_s: float, number: int) -> str:
        what = f"Nothing has come from {listed} for {span(longest_s)}."
        if number > 3:
            what += " So many at once: look at what they share, a gateway, a switch, a supply."
        return what


class SensorUnusable(_Sensors):
    """Readings arrive, but none can be used."""

    id = "sensor-unusable"
    sees = "a signal that sends only faulty, impossible or unreadable values"
    unusable = True
    title = "sensor sends nothing usable"
    why = "It looks alive and tells nothing: checks that need this signal are blind."
    look_first = (
        "Plug and cable of the sensor: an open circuit reads as a code or a full-scale value.",
        "What does it send? `condmon replay --samples` shows each reading with its reason.",
        "Was the sensor or its gateway changed lately?",
    )
    caution = MAINS + LOCKOUT

    def _sentence(self, listed: str, longest_s: float, number: int) -> str:
        return (
            f"{listed}: readings arrive, but none has been usable for {span(longest_s)}. "
            "This speaks of the sensor, not of the machine."
        )
