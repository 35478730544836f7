"""Latch: a condition's columns become raised and ended. It counts ticks. Pure.

The hold is reached at the tick at which the condition has been true for `hold_s` seconds: true at
400 s and at every tick up to 460 s reaches a hold of 60 s at 460 s. Unknown ticks neither count nor
reset. An alert ends when its eased condition has been false for `release_s`; its end is the first
of those ticks.
"""

from typing import Any, Literal, NamedTuple

import numpy as np

from condmon.engine.logic import FALSE, TRUE, UNKNOWN, Truth

UNJUDGED_S = 60
"""An alert whose condition has been unknown for so long says that it cannot be judged."""

Kind = Literal["raised", "ended", "again", "unjudged", "judged"]


class Event(NamedTuple):
    """Something that happened to a condition at a row of a block; `since` is a tick."""

    row: int
    kind: Kind
    since: int


class Latch:
    """One condition's carried state: a handful of whole numbers."""

    def __init__(self, hold_s: float, release_s: float) -> None:
        self.hold, self.release = round(hold_s), round(release_s)
        self.active = False
        self.judged = True
        self._true, self._false, self._unknown = 0, 0, 0  # ticks in a row (unknown ones skipped)
        self._onset, self._return = 0, 0  # ticks
        self._counted = False  # this stretch of true is counted

    def push(self, first: int, on: Truth, stay: Truth, *, blind: bool) -> list[Event]:
        """Events of a block that begins at tick `first`; both columns have shape (n,)."""
        if blind:
            self._true = self._false = 0
        if not self.active and not self._true and on.max() < TRUE:
            self._unknown = 0
            return []
        both = on * 3 + stay
        edges = np.flatnonzero(np.diff(both)) + 1
        starts, stops = [0, *edges.tolist()], [*edges.tolist(), len(on)]
        events: list[Event] = []
        for start, stop in zip(starts, stops, strict=True):
            self._stretch(first, start, stop, int(on[start]), int(stay[start]), events)
        return events

    def _stretch(
        self, first: int, start: int, stop: int, on: int, stay: int, events: list[Event]
    ) -> None:
        """Walk through ticks [start, stop) in which nothing changes."""
        self._watch_unknown(start, stop, on, events, first)
        if on == TRUE:
            self._stretch_true(first, start, stop, events)
        elif on == FALSE:
            self._true, self._counted = 0, False
        if stay == FALSE:
            if not self._false:
                self._return = first + start
            self._false += stop - start
            if self.active and self._false > self.release:
                row = stop - 1 - (self._false - self.release - 1)
                self._end(max(row, start), events)
        elif stay == TRUE:
            self._false = 0

    def _stretch_true(self, first: int, start: int, stop: int, events: list[Event]) -> None:
        if not self._true:
            self._onset = first + start
        before, self._true = self._true, self._true + stop - start
        if self._counted or self._true <= self.hold:
            return
        row = start + max(self.hold - before, 0)
        self._counted = True
        if self.active:
            events.append(Event(row, "again", self._onset))
        else:
            self.active, self.judged, self._false = True, True, 0
            events.append(Event(row, "raised", self._onset))

    def _end(self, row: int, events: list[Event]) -> None:
        self.active, self._true, self._counted = False, 0, False
        events.append(Event(row, "ended", self._return))

    def _watch_unknown(
        self, start: int, stop: int, on: int, events: list[Event], first: int
    ) -> None:
        if on != UNKNOWN:
            self._unknown = 0
            if self.active and not self.judged:
                self.judged = True
                events.append(Event(start, "judged", first + start))
            return
        before, self._unknown = self._unknown, self._unknown + stop - start
        if self.active and self.judged and self._unknown > UNJUDGED_S:
            self.judged = False
            row = start + max(UNJUDGED_S - before, 0)
            events.append(Event(row, "unjudged", first + row))

    def let_go(self) -> bool:
        """What was found so far counts no more; whether it was active."""
        was, self.active, self.judged = self.active, False, True
        self._true = self._false = self._unknown = 0
        self._counted = False
        return was

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return [
            self.active,
            self.judged,
            self._true,
            self._false,
            self._unknown,
            self._onset,
            self._return,
            self._counted,
        ]

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        (
            self.active,
            self.judged,
            self._true,
            self._false,
            self._unknown,
            self._onset,
            self._return,
            self._counted,
        ) = state
