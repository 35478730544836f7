"""Sensors that are silent, or that send only what cannot be used: the sensor, not the machine.

A signal is missed after its `stale_after`, counted from when condmon began to watch and, for a
sensor fed by the machine, from when its feed came on: what is silent on purpose is not missed. One
alert a machine lists them all, so that a dead gateway is one message.
"""

from typing import Any, Self

import numpy as np

from condmon.engine import logic, rolling
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Said
from condmon.engine.expression import Pair
from condmon.engine.records import F64, I64, Flags
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import span


class _Sensors(Check):
    """What both have in common: which signals are due, and the list of those that fail."""

    def __init__(self, settings: Settings, machine: Machine) -> None:
        kept = tuple(s for s in machine.signals if s.stale_after_s is not None)
        super().__init__(settings, machine, kept)
        place = {s.name: i for i, s in enumerate(machine.signals)}
        self._columns = np.array([place[s.name] for s in kept], np.int64)
        self._limit = np.array([s.stale_after_s or 0.0 for s in kept])
        feeds = sorted({s.fed_by for s in kept if s.fed_by})
        self._feeds = dict.fromkeys(feeds, 0)  # seconds the feed has been on
        self._fed = [s.fed_by for s in kept]
        self._failing: Flags = np.zeros((1, len(kept)), bool)
        self._silence: F64 = np.zeros((1, len(kept)))

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a machine that has a signal which should be heard again and again."""
        return (
            [cls(settings, machine)]
            if any(s.stale_after_s is not None for s in machine.signals)
            else ""
        )

    def due_s(self, block: Block) -> I64:
        """For how many seconds each signal could have been heard, (n, signals)."""
        due = np.repeat(block.watch_s[:, None], len(self.signals), axis=1)
        for name in self._feeds:
            on = logic.from_state(block.value_of(name))
            length, self._feeds[name] = rolling.runs(on, 0 if block.blind_s else self._feeds[name])
            for i, fed in enumerate(self._fed):
                if fed == name:
                    due[:, i] = np.minimum(due[:, i], length)
        return due

    def _pair(self, block: Block) -> Pair:
        on = logic.truth(np.any(self._failing, axis=1).reshape(-1), np.ones(block.n, bool))
        return Pair(on, on)

    def _list(self, row: int) -> list[str]:
        return [s.label() for s, bad in zip(self.signals, self._failing[row], strict=True) if bad]

    def _names(self, row: int) -> tuple[str, ...]:
        return tuple(s.name for s, bad in zip(self.signals, self._failing[row], strict=True) if bad)

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {"feeds": self._feeds}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._feeds = state["feeds"]


class SensorSilent(_Sensors):
    """Nothing at all arrives from a signal."""

    id = "sensor-silent"
    sees = "a signal that has stopped arriving although its machine is on"
    urgency = "today"
    hold_s = 60.0
    release_s = 60.0
    title = "sensor silent"
    why = "What condmon cannot hear it cannot watch: checks that need this signal are blind."
    look_first = (
        "Power and network of the sensor or its gateway.",
        "Has a topic been renamed? Compare with the configuration.",
        "The cable: chips and coolant find plugs first.",
    )
    caution = LOCKOUT

    def push(self, block: Block) -> Pair:
        """True while any signal is overdue."""
        heard, due = block.heard_s[:, self._columns], self.due_s(block)
        self._silence = np.minimum(heard, due.astype(np.float64))
        self._failing = self._silence > self._limit
        return self._pair(block)

    def say(self, block: Block, row: int, since: int) -> Said:
        """Which signals, and for how long."""
        found, longest = self._list(row), float(self._silence[row].max())
        many = len(found) > 3
        listed = ", ".join(found[:8]) + (f" and {len(found) - 8} more" if len(found) > 8 else "")
        what = f"Nothing has come from {listed} for {span(longest)}."
        if many:
            what += " So many at once: look at what they share, a gateway, a switch, a supply."
        title = f"{len(found)} sensors silent" if len(found) > 1 else f"{found[0]} silent"
        return Said(
            what,
            "The checks that need it stay blind until it is back.",
            {"signals": len(found), "silent_s": longest},
            title,
            self._names(row),
        )


class SensorUnusable(_Sensors):
    """Readings arrive, but none can be used."""

    id = "sensor-unusable"
    sees = "a signal that sends only faulty, impossible or unreadable values"
    urgency = "today"
    hold_s = 60.0
    release_s = 60.0
    title = "sensor sends nothing usable"
    why = "It looks alive and tells nothing: checks that need this signal are blind."
    look_first = (
        "Plug and cable of the sensor: an open circuit reads as a code or a full-scale value.",
        "What does it send? `condmon replay --samples` shows each reading with its reason.",
        "Was the sensor or its gateway changed lately?",
    )
    caution = LOCKOUT

    def push(self, block: Block) -> Pair:
        """True while a signal is heard but has given nothing usable for too long."""
        due = self.due_s(block).astype(np.float64)
        heard, age = block.heard_s[:, self._columns], block.age_s[:, self._columns]
        self._silence = np.minimum(age, due)
        self._failing = (heard <= self._limit) & (self._silence > self._limit)
        return self._pair(block)

    def say(self, block: Block, row: int, since: int) -> Said:
        """Which signals, and for how long."""
        found, longest = self._list(row), float(self._silence[row].max())
        what = (
            f"{', '.join(found[:8])}: readings arrive, but none has been usable "
            f"for {span(longest)}. This speaks of the sensor, not of the machine."
        )
        title = f"{len(found)} sensors unusable" if len(found) > 1 else f"{found[0]} unusable"
        return Said(
            what,
            "The checks that need it stay blind until it is mended.",
            {"signals": len(found), "unusable_s": longest},
            title,
            self._names(row),
        )
