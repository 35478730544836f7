"""Whether a bearing runs warmer than in its first days at the same speed: the judgement. Pure.

Baseline: the median of the first ten days at a level; now: the median of the last three, so that
one odd day decides nothing. What the room does must neither hide nor fake it: the share of the room
in what the bearing follows is a fitted model's, or found from the first days where the room moved
enough then, or else every plausible share has to agree.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from condmon.engine.levels import FIRST_DAYS, Day, Level
from condmon.trade.trends import Sen, line, theil_sen

NOW_DAYS = 3
FRESH_DAYS = 14
SCATTER_TIMES = 4.0
ROOM_SWING_MIN_K = 0.7
SHARE_SE_MAX = 0.1
WITHOUT_MODEL = (0.0, 0.3)
"""Plausible shares of the room beside a coolant supply (common practice, no source)."""


class Warmer(NamedTuple):
    """How much warmer a bearing runs at one level than in its first days there."""

    rise_k: float
    speed: float
    before_k: float  # over its surroundings
    now_k: float
    scatter_k: float
    per_week: Sen | None  # K a week


def warmer(level: Level, share: float | None) -> Warmer | None:
    """Judge a level; `share` of the room if it is known. None with too few or too old days."""
    first, later = level.days[:FIRST_DAYS], level.days[FIRST_DAYS:]
    if len(first) < FIRST_DAYS or len(later) < NOW_DAYS:
        return None
    last = later[-NOW_DAYS:]
    if last[-1].day - last[0].day > FRESH_DAYS:
        return None
    shares = shares_of(first) if share is None else (share,)
    found = [_at_share(first, last, one) for one in shares]
    rise, before, now, scatter, used = min(found)
    return Warmer(rise, level.speed, before, now, scatter, _slope(level.days, used))


def _at_share(
    first: Sequence[Day], last: Sequence[Day], share: float
) -> tuple[float, float, float, float, float]:
    before = [day.mean.over(share) for day in first]
    now = float(np.median([day.mean.over(share) for day in last]))
    middle = float(np.median(before))
    scatter = 1.4826 * float(np.median([abs(value - middle) for value in before]))
    return now - middle, middle, now, scatter, share


def shares_of(first: Sequence[Day]) -> tuple[float, ...]:
    """Shares of the room to judge with, from the first days."""
    with_supply = not math.isnan(first[0].mean.supply_c)
    usual = WITHOUT_MODEL if with_supply else (1.0,)
    base = np.array([day.mean.supply_c if with_supply else 0.0 for day in first])
    room = np.array([day.mean.room_c for day in first])
    temp = np.array([day.mean.temp_c for day in first])
    swing = room - base
    if np.isnan(swing).any() or float(np.std(swing)) < ROOM_SWING_MIN_K:
        return usual
    found = line(swing, temp - base)
    if found.slope_se > SHARE_SE_MAX:
        return usual
    if not with_supply and abs(found.slope - 1.0) <= 3.0 * found.slope_se:
        return usual
    return (min(max(found.slope, 0.0), 1.0),)


def _slope(days: Sequence[Day], share: float) -> Sen | None:
    recent = days[-40:]
    if len(recent) < 8:
        return None
    x = np.array([day.day / 7.0 for day in recent])
    y = np.array([day.mean.over(share) for day in recent])
    return theil_sen(x, y)
