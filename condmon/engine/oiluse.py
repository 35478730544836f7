"""How much of a tank an hour of running uses, from minute values; filling up is passed over. Pure.

The use of a stretch of running is the fall of the level's middle from its first to its last quarter
of an hour: single readings of a float scatter by more than an hour's use.
"""

from math import nan
from typing import Any

from condmon.engine.past import middle

STRETCH_MIN = 240
END_MIN = 15
FILLED = 2.0  # percent: such a rise is somebody with a can
KEPT = 12


class OilUse:
    """Carried: the levels of the stretch that is not over, the uses of the last stretches."""

    def __init__(self) -> None:
        self._levels: list[float] = []
        self.uses: list[float] = []  # percent an hour of running, of the last KEPT stretches
        self.first: list[float] = []  # of the first ones: the base

    def push(self, level: float, *, running: bool) -> bool:
        """Add a minute; True when it ended a stretch of STRETCH_MIN minutes of running."""
        if level != level or not running:
            return False
        if self._levels and level > self._levels[-1] + FILLED:
            self._levels = []
        self._levels.append(level)
        if len(self._levels) < STRETCH_MIN:
            return False
        head, tail = middle(self._levels[:END_MIN]), middle(self._levels[-END_MIN:])
        use = (head - tail) * 60 / (STRETCH_MIN - END_MIN)
        self._levels = []
        self.uses = [*self.uses, use][-KEPT:]
        if len(self.first) < KEPT // 2:
            self.first = [*self.first, use]
        return True

    def usual(self) -> float:
        """Middle of the first stretches, NaN before half of the base is known."""
        return middle(self.first) if len(self.first) >= KEPT // 4 else nan

    def now(self, stretches: int) -> float:
        """Middle of the newest stretches, NaN while there are too few."""
        return middle(self.uses[-stretches:]) if len(self.uses) >= stretches else nan

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return [self._levels, self.uses, self.first]

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        self._levels, self.uses, self.first = state
