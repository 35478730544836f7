"""Settled levels: what a bearing has at each speed it keeps, minute by minute and day by day. Pure.

Settled: the speed has kept within 8 % for ten minutes and the temperature moves by less than
0.06 K/min, about 1 K in a quarter of an hour (a run-in waits for as much before its next step; from
memory). Like is compared with like: a speed within 5 % of one seen before belongs to its level.
Everything is plain steps over minutes, so that no cut of the stream changes a bit.
"""

import math
from typing import Any, NamedTuple

from condmon.engine.bearing_minutes import Row

WINDOW = 10
SPEED_MIN = 300.0
SPEED_STEADY = 0.08
SLOPE_MAX = 0.06
LEVEL_WIDTH = 0.05
LEVELS_MAX = 12
FIRST_DAYS, LAST_DAYS = 10, 60
DAY_MINUTES_MIN = 5
MINUTES_A_DAY = 1440


class Means(NamedTuple):
    """Mean temperatures over the same minutes; NaN where a signal is missing."""

    temp_c: float
    room_c: float
    supply_c: float

    def over(self, room_share: float) -> float:
        """Temperature over its surroundings; a machine without supply follows the room alone."""
        if math.isnan(self.supply_c):
            base = 0.0 if math.isnan(self.room_c) else room_share * self.room_c
        elif math.isnan(self.room_c) or room_share == 0.0:
            base = self.supply_c
        else:
            base = (1.0 - room_share) * self.supply_c + room_share * self.room_c
        return self.temp_c - base


class Steady(NamedTuple):
    """A minute at a steady speed: means over the last five, slope over the last ten."""

    speed: float
    now: Means
    slope: float  # K/min

    @property
    def settled(self) -> bool:
        """Neither warming nor cooling any more."""
        return abs(self.slope) <= SLOPE_MAX


class Window:
    """Carries the last ten minutes."""

    def __init__(self) -> None:
        self._rows: list[list[float]] = []  # minute, temp, room, supply, speed

    def push(self, row: Row) -> Steady | None:
        """What can be said at a minute; None where the speed was not steady or not known."""
        if self._rows and row.minute != self._rows[-1][0] + 1:
            self._rows = []
        self._rows.append([row.minute, row.temp_c, row.room_c, row.supply_c, row.speed])
        del self._rows[:-WINDOW]
        if len(self._rows) < WINDOW:
            return None
        half = WINDOW // 2
        before, after = self._rows[:half], self._rows[half:]
        # the speed first: most minutes are over with it
        speed_before, speed_after = _mean(before, 4), _mean(after, 4)
        speed = (speed_before + speed_after) / 2.0
        moved = abs(speed_after - speed_before)
        if not speed >= SPEED_MIN or not moved <= SPEED_STEADY * speed:
            return None
        temp_before, temp = _mean(before, 1), _mean(after, 1)
        if math.isnan(temp_before + temp):
            return None
        now = Means(temp, _mean(after, 2), _mean(after, 3))
        return Steady(speed, now, (temp - temp_before) / half)

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return self._rows

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        self._rows = state


def _mean(rows: list[list[float]], place: int) -> float:
    """Mean over five minutes of temperature (1), room (2), supply (3) or speed (4); NaN if one is.

    Written out: asked several times a minute by every bearing's checks.
    """
    a, b, c, d, e = rows
    return (a[place] + b[place] + c[place] + d[place] + e[place]) / 5


class Day(NamedTuple):
    """A day at one level: settled minutes and their means."""

    day: int
    minutes: int
    mean: Means


class Level:
    """One speed: its first days for good, its last days, and sums of today."""

    def __init__(self, speed: float) -> None:
        self.speed = speed
        self.days: list[Day] = []
        self._today = -1
        self._sums = [0.0, 0.0, 0.0, 0.0]  # minutes, temp, room, supply

    def add(self, minute: int, now: Means) -> bool:
        """Add a settled minute; True when it closed an earlier day."""
        closed = self.close_before(minute)
        self._today = minute // MINUTES_A_DAY
        for i, value in enumerate((1.0, *now)):
            self._sums[i] += value
        return closed

    def close_before(self, minute: int) -> bool:
        """Close today if it is over at a minute; True if a day came of it."""
        if self._today < 0 or minute // MINUTES_A_DAY == self._today:
            return False
        count, *sums = self._sums
        enough = count >= DAY_MINUTES_MIN
        if enough:
            mean = Means(*(value / count for value in sums))
            self.days.append(Day(self._today, round(count), mean))
            if len(self.days) > FIRST_DAYS + LAST_DAYS:
                del self.days[FIRST_DAYS]
        self._today, self._sums = -1, [0.0, 0.0, 0.0, 0.0]
        return enough

    @property
    def last_day(self) -> int:
        """The newest day known of."""
        return max(self._today, self.days[-1].day if self.days else -1)

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        days = [[d.day, d.minutes, *d.mean] for d in self.days]
        return [self.speed, days, self._today, self._sums]

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        self.speed, days, self._today, self._sums = state
        self.days = [Day(day, minutes, Means(*mean)) for day, minutes, *mean in days]


class Levels:
    """The levels of one bearing; the one unused for longest goes when there are too many."""

    def __init__(self) -> None:
        self.levels: list[Level] = []

    def at(self, speed: float) -> Level:
        """The level of a speed, a new one where none is near."""
        near = [one for one in self.levels if abs(speed - one.speed) <= LEVEL_WIDTH * one.speed]
        if near:
            return min(near, key=lambda one: abs(speed - one.speed))
        if len(self.levels) >= LEVELS_MAX:
            self.levels.remove(min(self.levels, key=lambda one: (one.last_day, len(one.days))))
        self.levels.append(Level(speed))
        return self.levels[-1]

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return [one.state() for one in self.levels]

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        self.levels = []
        for saved in state:
            level = Level(0.0)
            level.load(saved)
            self.levels.append(level)
