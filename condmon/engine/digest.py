"""The digest: what need not disturb anyone at once, told together at a set time. Pure."""

from collections.abc import Sequence
from typing import Any

from condmon.engine.ids import short_id
from condmon.engine.outputs import Message
from condmon.engine.records import SECOND_US
from condmon.engine.settings import CONDMON, Settings
from condmon.engine.watch import Watch


class Digest:
    """Carries the tick of the next digest."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._next = 0

    def begin(self, tick: int) -> None:
        """The first tick there is."""
        self._next = self._after(tick)

    def due(self, watches: Sequence[Watch], open_tick: int) -> list[tuple[int, Message]]:
        """(tick, message) of each digest whose time came before `open_tick`."""
        out: list[tuple[int, Message]] = []
        while self._next < open_tick:  # by leaps: a recording may have a hole of a hundred years
            waiting = min((note[0] for w in watches for note in w.book.notes), default=open_tick)
            self._next = max(self._next, self._after(min(waiting, open_tick) - 1))
            if self._next < open_tick:
                out += self._tell(watches, self._next, self._next)
                self._next = self._after(self._next)
        return out

    def flush(self, watches: Sequence[Watch], tick: int) -> list[tuple[int, Message]]:
        """What waits, dated at the time at which it would be told."""
        return self._tell(watches, self._next, tick)

    def _after(self, tick: int) -> int:
        at_us = self._settings.calendar.next_local(
            tick * SECOND_US, self._settings.digest_minute, self._settings.digest_days
        )
        return at_us // SECOND_US

    def _tell(self, watches: Sequence[Watch], at: int, up_to: int) -> list[tuple[int, Message]]:
        found = []
        for watch in watches:
            notes = watch.book.notes
            found += [(watch.machine.name, alert, title) for t, alert, title in notes if t <= up_to]
            watch.book.notes = [note for note in notes if note[0] > up_to]
        if not found:
            return []
        names = sorted({name for name, _, _ in found})
        many = f"{len(found)} notes" if len(found) > 1 else "1 note"
        lines = [f"{name}: {title}." for name, _, title in found]
        alerts = tuple(alert for _, alert, _ in found)
        return [
            (
                at,
                Message(
                    short_id("digest", at, *alerts),
                    at * SECOND_US,
                    "digest",
                    0,
                    "note",
                    alerts,
                    CONDMON,
                    f"{', '.join(names)}: {many}",
                    "\n".join(lines),
                ),
            )
        ]

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {"next": self._next}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._next = state["next"]
