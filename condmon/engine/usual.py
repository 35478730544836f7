"""What a bearing usually has at each speed, as a mean that forgets slowly. Pure.

Kept as means of temperature, room and supply over the same minutes, so that any share of the room
can be judged afterwards. Minutes that are clearly too hot are not learned: a fault must not become
the usual.
"""

import math
from typing import Any

from condmon.engine.levels import LEVEL_WIDTH, LEVELS_MAX, Means, Steady

LEARNED_MIN = 20
MEMORY_MIN = 60.0
"""Settled minutes after which an old one counts for a third."""
SUSPICIOUS_K = 2.0


def plausible_shares(has_room: bool, has_supply: bool) -> tuple[float, ...]:
    """Shares of the room that a bearing may follow; all have to agree. None: nothing is known."""
    if has_supply:
        return (0.0, 0.3) if has_room else (0.0,)
    return (1.0, 0.4) if has_room else ()


class Usual:
    """One mean a speed; the speed unused for longest goes when there are too many."""

    def __init__(self) -> None:
        self._levels: list[list[float]] = []  # speed, minutes, last minute, temp, room, supply

    def compare(self, steady: Steady, shares: tuple[float, ...]) -> tuple[float, float]:
        """How much hotter it is and what it usually would be in Cel; NaN while not learned."""
        level = self._near(steady.speed)
        if level is None or level[1] < LEARNED_MIN:
            return math.nan, math.nan
        usual = Means(*level[3:])
        rises = [steady.now.over(s) - usual.over(s) for s in shares or (0.0,)]
        rise = min(rises)
        return rise, steady.now.temp_c - rise

    def add(self, steady: Steady, rise: float, minute: int) -> None:
        """Learn a settled minute, unless it is suspicious; NaN rise: not learned so far."""
        if rise >= SUSPICIOUS_K:
            return
        level = self._near(steady.speed)
        if level is None:
            if len(self._levels) >= LEVELS_MAX:
                self._levels.remove(min(self._levels, key=lambda one: one[2]))
            level = [steady.speed, 0.0, 0.0, *steady.now]
            self._levels.append(level)
        level[1] += 1.0
        level[2] = minute
        weight = 1.0 / min(level[1], MEMORY_MIN)
        for i, value in enumerate(steady.now, 3):
            level[i] = value if math.isnan(level[i]) else level[i] + (value - level[i]) * weight

    def _near(self, speed: float) -> list[float] | None:
        near = [one for one in self._levels if abs(speed - one[0]) <= LEVEL_WIDTH * one[0]]
        return min(near, key=lambda one: abs(speed - one[0])) if near else None

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return self._levels

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        self._levels = state
