"""A check the shop wrote itself: its condition and its words come from the configuration."""

from fnmatch import fnmatchcase
from typing import Self

from condmon.engine.block import Block
from condmon.engine.checks.base import Check, Said, value_at
from condmon.engine.duty import names
from condmon.engine.expression import Condition
from condmon.engine.outputs import Facts
from condmon.engine.settings import CONDMON, Machine, OwnCheck, Settings
from condmon.engine.words import number, shown


class ShopCheck(Check):
    """One `[[check]]` of the configuration on one machine."""

    def __init__(self, settings: Settings, machine: Machine, own: OwnCheck) -> None:
        self.key, self.settings, self.machine = own.id, settings, machine
        self.own, self.entries = own, []
        self.urgency, self.hold_s, self.release_s = own.urgency, own.hold_s, own.release_s
        self.title, self.why = own.title or own.id.replace("-", " "), own.why
        self.look_first, self.caution = own.look_first, own.caution
        kinds = {s.name: s.kind for s in machine.signals}
        self._condition = Condition(own.when, kinds, names(machine), own.deadband)
        self.signals = tuple(s for s in machine.signals if s.name in self._condition.names)

    @classmethod
    def all_of(cls, settings: Settings, machine: Machine) -> list[Self]:
        """The shop's checks that this machine's id matches; condmon itself is none of them."""
        if machine.id == CONDMON:
            return []
        return [
            cls(settings, machine, own)
            for own in settings.checks
            if any(fnmatchcase(machine.id, pattern) for pattern in own.machines)
        ]

    def say(self, block: Block, row: int, since: int) -> Said:
        """The condition and the values it was judged on."""
        facts: Facts = {s.name: value_at(block, row, s) for s in self.signals}
        parts = []
        for signal in self.signals:
            value = value_at(block, row, signal)
            if signal.kind in {"state", "moment"}:
                word = "unknown" if value != value else "on" if value > 0.5 else "off"
                parts.append(f"{signal.label()} {word}")
            else:
                parts.append(f"{signal.label()} {number(value)}{shown(signal.unit)}")
        return Said(f"{self.own.when} has held: {', '.join(parts)}.", "", facts)
