"""Flood: more than ten messages within ten minutes become one that says how many more. Pure.

Ten new alarms in ten minutes is where a person no longer keeps up (EEMUA 191 and ISA-18.2, from
memory). The first ten are told one by one; what comes after is gathered for a minute and told as
one message, and then as one every ten minutes while it goes on. Every alert stays in the log.
"""

from typing import Any

from condmon.engine.causes import RANK
from condmon.engine.ids import short_id
from condmon.engine.outputs import Message, Output
from condmon.engine.records import SECOND_US
from condmon.engine.settings import CONDMON, Urgency

MANY, WITHIN_S = 10, 600
GATHER_S = 60
LISTED = 8


Found = tuple[int, int, int, Output]
"""(tick, number of the machine, place among its outputs, output)."""


class Flood:
    """Carried: ticks of the last messages, what is held back, when that is told."""

    def __init__(self) -> None:
        self._told: list[int] = []
        self._held: list[list[str]] = []
        self._due = -1
        self._last_fold = -WITHIN_S

    def parted(self, found: list[Found], open_tick: int, fold_place: int) -> list[Found]:
        """The outputs of the seconds before `open_tick`, a flood of messages folded."""
        extra: list[tuple[int, Message]] = []
        held = set()
        for tick, machine, place, output in sorted(found, key=lambda row: row[:3]):
            if isinstance(output, Message) and not self._take(tick, output, extra):
                held.add((tick, machine, place))
        self._fall_due(open_tick, extra)
        kept = [row for row in found if row[:3] not in held] if held else found
        return [*kept, *((tick, fold_place, 0, fold) for tick, fold in extra)]

    def _take(self, tick: int, message: Message, extra: list[tuple[int, Message]]) -> bool:
        """Whether a message may go out by itself; folds that fall due before it are added."""
        self._fall_due(tick, extra)
        if message.kind == "digest":
            return True
        self._told = [t for t in self._told if tick - t < WITHIN_S]
        if len(self._told) < MANY:
            self._told.append(tick)
            return True
        if not self._held:
            self._due = max(tick + GATHER_S, self._last_fold + WITHIN_S)
        self._held.append([message.alerts[0], message.title, message.urgency])
        return False

    def _fall_due(self, tick: int, extra: list[tuple[int, Message]]) -> None:
        """Add the fold whose time came before a tick."""
        if self._held and self._due < tick:
            extra.append((self._due, self._fold()))
            self._held, self._last_fold = [], self._due

    def _fold(self) -> Message:
        alerts = tuple(dict.fromkeys(alert for alert, _, _ in self._held))
        urgent: Urgency = "today"
        if any(RANK[urgency] == RANK["now"] for _, _, urgency in self._held):
            urgent = "now"
        titles = [title for _, title, _ in self._held]
        more = [f"and {len(titles) - LISTED} more"] if len(titles) > LISTED else []
        return Message(
            short_id("flood", self._due, *alerts),
            self._due * SECOND_US,
            "digest",
            0,
            urgent,
            alerts,
            CONDMON,
            f"{urgent.upper()}: and {len(titles)} more alerts",
            "\n".join(["Many at once: look for one cause first.", *titles[:LISTED], *more]),
        )

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return [self._told, self._held, self._due, self._last_fold]

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        self._told, self._held, self._due, self._last_fold = state
