"""How a bearing's heat gain changes over weeks, and for how long a speed can be held. Pure.

With exponent, lags and supply share of the fitted model kept, each day gives its own gain (and its
own offset, so that a room half understood does not look like a bearing). A trend is claimed only
where its interval excludes zero and it is large enough to matter; nothing is told further ahead
than the history reaches back.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from condmon.engine.records import F64, Flags
from condmon.engine.thermal import BearingModel
from condmon.engine.thermal_fit import alike_minutes
from condmon.engine.thermal_lags import History, heat_at, lagged, prepare
from condmon.trade.quantiles import t_quantile
from condmon.trade.trends import line

MINUTES_A_DAY = 1440
DAY_MIN = 90
"""Known minutes that a day needs, and a warm spindle among them."""
GAIN_SE_MAX = 0.10
DAYS_MIN = 5
CLAIM_MIN = 0.02
"""A growth of less than 2 % over the history changes no decision, however sure it is."""
CONFIDENCE = 0.99
"""Asked anew every night, 95 % would claim a trend about every third week without one."""


class DayGain(NamedTuple):
    """One day's heat gain at the model's reference speed."""

    day: int  # since 1970, UTC
    gain_k: float
    se: float


class WeekGain(NamedTuple):
    """One week's heat gain with its 95 % interval."""

    first_day: int
    days: int
    gain_k: float
    low: float
    high: float


class Growth(NamedTuple):
    """Straight line through the days: K a week at the reference speed, with its interval."""

    per_week_k: float
    low: float
    high: float
    gain_now_k: float
    claimed: bool


class Change(NamedTuple):
    """Gain after an instant less gain before it, with its 95 % interval."""

    change_k: float
    low: float
    high: float
    days_before: int
    days_after: int


def day_gains(model: BearingModel, raw: History) -> list[DayGain]:
    """The gain of every day that shows one."""
    p = prepare(raw)
    h, n = p.history, len(p.history.minute)
    heat = heat_at(h.heats, model.exponent, model.speed_ref)
    around = np.where(
        p.off & ~np.isnan(h.room_c),
        h.room_c,
        _mixed(model.supply_share, h.supply_c, h.room_c),
    )
    ready = p.ready & ~np.isnan(around) & (~p.off | (model.tau_off_s is not None))
    start = p.start | (ready & ~np.concatenate([[False], ready[:-1]]))
    start &= ~np.isnan(h.temp_c)
    ready = _after_start(ready, start)
    tau = np.where(p.off, model.tau_off_s or model.tau_s, model.tau_s)
    forcing = np.stack([around, np.ones(n), heat], axis=1)
    begin = np.zeros_like(forcing)
    begin[:, 0] = h.temp_c
    base, one, warm = lagged(forcing, tau, ready, start, begin).T
    if model.slow_share:
        late = np.full(n, model.slow_tau_s)
        slow = lagged(heat[:, None], late, ready, start, np.zeros((n, 1)))[:, 0]
        warm = (1.0 - model.slow_share) * warm + model.slow_share * slow
    rest = h.temp_c - base
    known = ready & ~start & ~np.isnan(rest)
    days = h.minute // MINUTES_A_DAY
    found = [_day(int(day), rest, one, warm, known & (days == day)) for day in np.unique(days)]
    return [gain for gain in found if gain is not None]


def _mixed(share: float, supply: F64, room: F64) -> F64:
    if share == 0.0:
        return room
    return supply if share == 1.0 else share * supply + (1.0 - share) * room


def _after_start(ready: Flags, start: Flags) -> Flags:
    """Rows that some start leads to without a break."""
    rows = np.arange(len(ready))
    broken = np.maximum.accumulate(np.where(ready, -1, rows))
    begun = np.maximum.accumulate(np.where(start, rows, -1))
    out: Flags = ready & (begun > broken)
    return out


def _day(day: int, rest: F64, one: F64, warm: F64, rows: Flags) -> DayGain | None:
    """Least squares of one day's gain and offset."""
    if rows.sum() < DAY_MIN:
        return None
    y, c, g = rest[rows], one[rows], warm[rows]
    cc, cg, gg = float(np.sum(c * c)), float(np.sum(c * g)), float(np.sum(g * g))
    below = cc * gg - cg * cg
    if below <= 1e-6 * cc * gg:
        return None
    cy, gy = float(np.sum(c * y)), float(np.sum(g * y))
    gain, offset = (cc * gy - cg * cy) / below, (gg * cy - cg * gy) / below
    left = np.full(len(rest), np.nan)
    left[rows] = y - gain * g - offset * c
    place = np.flatnonzero(rows)
    alike = alike_minutes(left[place[0] : place[-1] + 1])
    spread = float(np.sum(left[rows] ** 2)) / max(len(y) - 2, 1)
    se = math.sqrt(spread * alike * cc / below)
    if gain <= 0.0 or se > GAIN_SE_MAX * gain:
        return None
    return DayGain(day, gain, se)


def week_gains(days: Sequence[DayGain]) -> list[WeekGain]:
    """Seven days from the first one on, each week with at least two days."""
    if not days:
        return []
    out = []
    first = days[0].day
    for week in range((days[-1].day - first) // 7 + 1):
        start = first + 7 * week
        part = np.array([d.gain_k for d in days if start <= d.day < start + 7])
        if len(part) >= 2:
            mean, reach = _mean(part)
            out.append(WeekGain(start, len(part), mean, mean - reach, mean + reach))
    return out


def _mean(part: F64, confidence: float = 0.95) -> tuple[float, float]:
    se = float(np.std(part, ddof=1)) / math.sqrt(len(part))
    return float(np.mean(part)), t_quantile(0.5 + confidence / 2.0, len(part) - 1) * se


def growth(days: Sequence[DayGain]) -> Growth | None:
    """The trend over the days; None with fewer than DAYS_MIN of them."""
    if len(days) < DAYS_MIN:
        return None
    x = np.array([float(d.day) for d in days])
    y = np.array([d.gain_k for d in days])
    fitted = line(x - x[-1], y, CONFIDENCE)
    moved = fitted.slope * (x[-1] - x[0])
    sure = fitted.low > 0.0 or fitted.high < 0.0
    large = abs(moved) > CLAIM_MIN * float(np.median(y))
    return Growth(
        7.0 * fitted.slope,
        7.0 * fitted.low,
        7.0 * fitted.high,
        fitted.intercept,
        bool(sure and large),
    )


def change_since(days: Sequence[DayGain], day: int) -> Change | None:
    """Change of the gain from before a day to that day and after; None with too few days."""
    before = np.array([d.gain_k for d in days if d.day < day])
    after = np.array([d.gain_k for d in days if d.day >= day])
    if len(before) < 2 or len(after) < 2:
        return None
    vb = float(np.var(before, ddof=1)) / len(before)
    va = float(np.var(after, ddof=1)) / len(after)
    free = (vb + va) ** 2 / (vb**2 / (len(before) - 1) + va**2 / (len(after) - 1) + 1e-300)
    reach = t_quantile(0.975, max(free, 1.0)) * math.sqrt(vb + va)
    moved = float(np.mean(after) - np.mean(before))
    return Change(moved, moved - reach, moved + reach, len(before), len(after))


class HeldUntil(NamedTuple):
    """Days from the last one on until a speed can no longer be held; inf: not within `horizon`."""

    days: float
    soonest: float
    latest: float
    horizon: float


def held_until(
    model: BearingModel,
    days: Sequence[DayGain],
    speed: float,
    around_c: float,
    trip_c: float,
    margin_k: float,
) -> HeldUntil | None:
    """When growth lets a bearing settle closer than a margin to its trip at the speed needed.

    Nothing is told beyond one length of the history. None where no growth is claimed or too few
    days are known. `around_c` is the hottest surroundings to reckon with.
    """
    trend = growth(days)
    if trend is None or not trend.claimed:
        return None
    horizon = float(days[-1].day - days[0].day)
    share = math.pow(speed / model.speed_ref, model.exponent)
    most = (trip_c - margin_k - around_c - model.offset_k) / share
    room = most - trend.gain_now_k

    def when(per_week: float) -> float:
        if room <= 0.0:
            return 0.0
        days = 7.0 * room / per_week if per_week > 0.0 else math.inf
        return days if days <= horizon else math.inf

    return HeldUntil(when(trend.per_week_k), when(trend.high), when(trend.low), horizon)
