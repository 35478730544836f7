"""The clock of one source: are its own times to be believed, which samples are repeats. Pure."""

from collections import deque
from typing import Any

import numpy as np

from condmon.engine import records as rec
from condmon.engine.records import F64, I64, SECOND_US

AHEAD_US = 5 * SECOND_US
"""Further ahead than this nothing real is: the clock is wrong."""
LIVE_US = 2 * SECOND_US
"""A lag within the lateness of a tick needs no explanation."""
HOLE_US = 30 * SECOND_US
"""A longer silence between two samples is a hole that old samples may fill."""
TRUST_US = 7 * 86400 * SECOND_US
"""No gateway keeps samples longer than this; an older time is a wrong clock."""
STEADY_US = 5 * SECOND_US
"""A lag that stays the same over this span of arrivals is a wrong clock, not a backlog."""
REMEMBERED = 512
HOLES = 8


class SourceClock:
    """Carried state of one signal's own times.

    `offset_us` is by how much the clock is behind (negative: ahead); `changed` tells whether the
    last sample changed it.
    """

    def __init__(self) -> None:
        self.newest: int | None = None
        self.offset_us = 0
        self.changed = False
        self._recent: deque[tuple[int, float]] = deque(maxlen=REMEMBERED)
        self.was_us = 0  # the offset before the last change
        self._wrong: deque[tuple[int, float]] = deque(maxlen=REMEMBERED)
        self._holes: list[tuple[int, int]] = []
        self._streak = [0, 0, 0]  # lag, first arrival, count

    def plain(self, own: I64, arrived: I64, value: F64) -> bool:
        """Take a run at once if nothing about it needs thought; False: settle it one by one."""
        if self.offset_us or self._streak[2]:
            return False
        before = own[0] - 1 if self.newest is None else self.newest
        step = np.diff(own, prepend=before)
        lag = arrived - own
        if not (np.all(step > 0) and np.all(lag <= LIVE_US) and np.all(lag >= -AHEAD_US)):
            return False
        if np.any(step > HOLE_US):
            return False
        self._remember(own, value)
        return True

    def backlog(self, own: I64, arrived: I64, value: F64) -> bool:
        """Take a run of what was kept somewhere at once; False: settle it one by one.

        Newer and newer samples that come faster than they were made: the lag changes all the time,
        and the run is over before a steady one could be told from it.
        """
        since = self._streak[1] if self._streak[2] else int(arrived[0])
        if self.offset_us or int(arrived[-1]) - since >= STEADY_US:
            return False
        before = own[0] - 1 if self.newest is None else self.newest
        step = np.diff(own, prepend=before)
        lag = arrived - own
        if not (np.all(step > 0) and np.all(lag <= TRUST_US) and np.all(lag >= -AHEAD_US)):
            return False
        ref, since, count = self._streak
        for one, at_us in zip(lag.tolist(), arrived.tolist(), strict=True):
            if one <= LIVE_US:
                ref, since, count = 0, 0, 0
            elif not count or abs(one - ref) > SECOND_US:
                ref, since, count = one, at_us, 1
            else:
                count += 1
        self._streak = [ref, since, count]
        for row in np.flatnonzero(step > HOLE_US).tolist():
            self._hole(int(own[row] - step[row]), int(own[row]))
        self._remember(own, value)
        return True

    def _remember(self, own: I64, value: F64) -> None:
        self.newest, self.changed = int(own[-1]), False
        self._recent.extend(
            zip(own[-REMEMBERED:].tolist(), value[-REMEMBERED:].tolist(), strict=True)
        )

    def settle(self, own_us: int, arrived_us: int, value: float, mark: int) -> tuple[int, int]:
        """(time it belongs to, further marks) of one sample that carries its own time."""
        self.changed = False
        if self._seen(own_us, value):
            return own_us, rec.REPEAT
        if mark & (rec.RETAINED | rec.HISTORICAL):
            self._recent.append((own_us, value))
            return own_us, 0
        lag = arrived_us - own_us
        if lag < -AHEAD_US or lag > TRUST_US or self._clock_is_behind(own_us, arrived_us, lag):
            self._note_offset(lag)
            self._wrong.append((own_us, value))
            return arrived_us, rec.CLOCK_WRONG
        if lag <= LIVE_US:
            self._note_offset(0)
        self._accept(own_us, value)
        return own_us, 0

    def _seen(self, own_us: int, value: float) -> bool:
        """Whether this very sample came before; a time beyond the newest cannot have."""
        if self.offset_us and _among(self._wrong, own_us, value):
            return True
        return (
            self.newest is not None
            and own_us <= self.newest
            and _among(self._recent, own_us, value)
        )

    def _clock_is_behind(self, own_us: int, arrived_us: int, lag: int) -> bool:
        if lag <= LIVE_US:
            self._streak = [0, 0, 0]
            return False
        if self.offset_us and abs(lag - self.offset_us) <= LIVE_US:
            return True
        if (
            self.newest is not None
            and lag > HOLE_US
            and own_us <= self.newest
            and not any(a < own_us < b for a, b in self._holes)
        ):
            return True
        ref, since, count = self._streak
        if not count or abs(lag - ref) > SECOND_US:
            self._streak = [lag, arrived_us, 1]
            return False
        self._streak[2] = count + 1
        return count >= 2 and arrived_us - since >= STEADY_US

    def _note_offset(self, lag: int) -> None:
        if abs(lag - self.offset_us) > AHEAD_US or (lag == 0 and self.offset_us):
            self.was_us, self.offset_us, self.changed = self.offset_us, lag, True
            self._wrong.clear()

    def _accept(self, own_us: int, value: float) -> None:
        if self.newest is not None and own_us - self.newest > HOLE_US:
            self._hole(self.newest, own_us)
        self.newest = own_us if self.newest is None else max(self.newest, own_us)
        self._recent.append((own_us, value))

    def _hole(self, from_us: int, to_us: int) -> None:
        self._holes.append((from_us, to_us))
        if len(self._holes) > HOLES:
            self._holes.remove(min(self._holes, key=lambda hole: hole[1] - hole[0]))

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "newest": self.newest,
            "offset_us": self.offset_us,
            "was_us": self.was_us,
            "recent": _columns(self._recent),
            "wrong": _columns(self._wrong),
            "holes": self._holes,
            "streak": self._streak,
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self.newest, self.offset_us = state["newest"], state["offset_us"]
        self.was_us = state["was_us"]
        for kept, saved in ((self._recent, state["recent"]), (self._wrong, state["wrong"])):
            kept.clear()
            kept.extend(zip(saved[0].tolist(), saved[1].tolist(), strict=True))
        self._holes = [(a, b) for a, b in state["holes"]]
        self._streak = list(state["streak"])


def _among(seen: deque[tuple[int, float]], own_us: int, value: float) -> bool:
    if value != value:  # NaN equals nothing, yet a refused sample can come twice too
        return any(at == own_us and v != v for at, v in seen)
    return (own_us, value) in seen


def _columns(seen: deque[tuple[int, float]]) -> list[Any]:
    return [np.array([at for at, _ in seen], np.int64), np.array([v for _, v in seen], np.float64)]
