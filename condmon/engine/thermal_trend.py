"""What the weeks say of one bearing: gain by week, growth, and until when a speed is held. Pure.

Computed where models are fitted and kept in the model as plain values, so that the log, the page
and a replay tell the same. Gains in K at the model's `speed_ref`, days since 1970 (UTC).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from condmon.engine.records import SECOND_US
from condmon.engine.thermal import BearingModel
from condmon.engine.thermal_growth import (
    Change,
    Growth,
    HeldUntil,
    WeekGain,
    change_since,
    day_gains,
    growth,
    held_until,
    week_gains,
)
from condmon.engine.thermal_lags import History

DAY_US = 86_400 * SECOND_US
FIGURE_MAX = 1e6
WARM = 0.95
"""The surroundings to reckon with are those that only one minute in twenty exceeds."""


class Turn(NamedTuple):
    """What may have changed a bearing: a service, a hard stop, or what a person names."""

    at_us: int
    why: str


class Wanted(NamedTuple):
    """What has to be held: `speed` (1/min) at `margin_k` under `trip_c`."""

    speed: float
    trip_c: float
    margin_k: float


@dataclass(frozen=True, slots=True)
class Trend:
    """One bearing's weeks; what cannot be told yet is None."""

    days: int  # that show a gain
    last_day: int
    weeks: tuple[WeekGain, ...]
    growth: Growth | None
    around_c: float  # the warm surroundings to reckon with
    wanted: Wanted | None  # None: no trip is known
    held: HeldUntil | None  # None: no growth is claimed, so nothing ends
    turn: Turn | None
    since: Change | None  # None: too few days before or after the turn


def trend_of(
    model: BearingModel,
    history: History,
    wanted: Wanted | None,
    turns: Sequence[Turn],
) -> Trend:
    """Look at every day of a history. The last of `turns` is the one that is looked at."""
    days = day_gains(model, history)
    warm = _warm(model, history)
    if wanted and not wanted.speed:
        wanted = wanted._replace(speed=model.speed_ref)
    held = wanted and held_until(model, days, wanted.speed, warm, wanted.trip_c, wanted.margin_k)
    turn = max(turns, default=None)
    return Trend(
        len(days),
        days[-1].day if days else 0,
        tuple(week_gains(days)),
        growth(days),
        warm,
        wanted,
        held,
        turn,
        change_since(days, turn.at_us // DAY_US) if turn else None,
    )


def _warm(model: BearingModel, history: History) -> float:
    """Warm surroundings of turning minutes; with the machine off the coolant is as the room."""
    turning = (history.speed > 0.0) & (history.off < 0.5)
    supply, room = history.supply_c[turning].tolist(), history.room_c[turning].tolist()
    around = [model.around(s, r) for s, r in zip(supply, room, strict=True)]
    return float(np.nanquantile(around, WARM))


def plain(trend: Trend) -> dict[str, Any]:
    """As values that JSON knows; what is never reached is null."""
    held = trend.held
    return {
        "days": trend.days,
        "last_day": trend.last_day,
        "weeks": [list(week) for week in trend.weeks],
        "growth": list(trend.growth) if trend.growth else None,
        "around_c": trend.around_c,
        "wanted": list(trend.wanted) if trend.wanted else None,
        "held": [None if value == math.inf else value for value in held] if held else None,
        "turn": list(trend.turn) if trend.turn else None,
        "since": list(trend.since) if trend.since else None,
    }


def read_trend(saved: dict[str, Any]) -> Trend:
    """The trend of plain values; ValueError, TypeError or KeyError where they are none."""
    grown, wanted, turn, since = (saved[key] for key in ("growth", "wanted", "turn", "since"))
    held = saved["held"]
    return Trend(
        days=_day(saved["days"]),
        last_day=_day(saved["last_day"]),
        weeks=tuple(WeekGain(_day(w[0]), _day(w[1]), *_three(w[2:])) for w in saved["weeks"]),
        growth=Growth(*_three(grown[:3]), _figure(grown[3]), bool(grown[4])) if grown else None,
        around_c=_figure(saved["around_c"]),
        wanted=Wanted(*_three(wanted)) if wanted else None,
        held=HeldUntil(*(math.inf if v is None else _figure(v) for v in held)) if held else None,
        turn=Turn(_instant(turn[0]), str(turn[1])) if turn else None,
        since=Change(*_three(since[:3]), _day(since[3]), _day(since[4])) if since else None,
    )


def _three(values: Sequence[Any]) -> tuple[float, float, float]:
    one, two, three = values
    return _figure(one), _figure(two), _figure(three)


def _figure(value: Any) -> float:
    """Kelvins, speeds and days alike stay far below the bound, with which a date can be made."""
    found = float(value)
    if not abs(found) < FIGURE_MAX:
        raise ValueError("a figure of the weeks is no number, or far too large")
    return found


def _day(value: Any) -> int:
    found = int(value)
    if not 0 <= found < FIGURE_MAX:
        raise ValueError("a day of the weeks is out of all bounds")
    return found


def _instant(value: Any) -> int:
    found = int(value)
    _day(found // DAY_US)
    return found
