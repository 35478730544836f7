"""The thermal model of a bearing and its weeks in words of the shop. Pure."""

import math
from dataclasses import replace

from condmon.engine.outputs import Facts
from condmon.engine.settings import Calendar
from condmon.engine.thermal import SPEED_MAX, BearingModel, highest_speed
from condmon.engine.thermal_growth import HeldUntil
from condmon.engine.thermal_trend import DAY_US, Trend, Wanted
from condmon.engine.words import number


def model_words(m: BearingModel) -> list[str]:
    """What the model is: gain, exponent, lag, what is left unexplained."""
    out = [
        f"at {number(m.speed_ref)} /min it settles {m.gain_k:.1f} K{_sure(m, 'gain_k')} over "
        + _around(m),
        f"its heat grows as speed to the power of {m.exponent:.2f}{_sure(m, 'exponent')}",
        f"lag {m.tau_s / 60:.0f} min",
        f"{m.sigma_k:.2f} K are left unexplained",
    ]
    if m.slow_share:
        out.append(
            f"{100 * m.slow_share:.0f} % of the heat comes with a slow lag of "
            f"{m.slow_tau_s / 3600:.1f} h"
        )
    return out


def trend_words(m: BearingModel, trend: Trend, calendar: Calendar) -> list[str]:
    """What the weeks say: the speed that is held, the last week, growth, change, until when."""
    return [
        *_speed(m, trend),
        *_week(m, trend, calendar),
        _growth(trend),
        *_since(trend, calendar),
        *_held(trend, calendar),
    ]


def facts_of(m: BearingModel, trend: Trend, name: str) -> Facts:
    """The figures of a bearing for the log, each under `name.`; what is not known is left out."""
    out: dict[str, float | bool] = {"speed_ref": m.speed_ref, "gain_k": round(m.gain_k, 2)}
    if trend.weeks:
        week = trend.weeks[-1]
        out |= {"week_gain_k": round(week.gain_k, 2)}
        out |= {"week_gain_low_k": round(week.low, 2), "week_gain_high_k": round(week.high, 2)}
    if trend.growth:
        grown = trend.growth
        out |= {"per_week_k": round(grown.per_week_k, 3), "growth_claimed": grown.claimed}
        out |= {"per_week_low_k": round(grown.low, 3), "per_week_high_k": round(grown.high, 3)}
    if trend.since:
        change = trend.since
        out |= {"change_k": round(change.change_k, 2)}
        out |= {"change_low_k": round(change.low, 2), "change_high_k": round(change.high, 2)}
    if trend.held and trend.held.days < math.inf:
        out |= {"held_days": round(trend.held.days, 1)}
    return {f"{name}.{key}": value for key, value in out.items()}


def _sure(model: BearingModel, name: str) -> str:
    """Two standard errors of a parameter; empty where it was not fitted."""
    se = model.se(name)
    return "" if math.isnan(se) else f" (+-{2 * se:.2f})"


def _around(model: BearingModel) -> str:
    if model.supply_share >= 0.995:
        return "the coolant"
    if model.supply_share <= 0.005:
        return "the room"
    share = 100 * model.supply_share
    return f"{share:.0f} % coolant and {100 - share:.0f} % room"


def _speed(m: BearingModel, trend: Trend) -> list[str]:
    if trend.wanted is None:
        return []
    _, trip_c, margin_k = trend.wanted
    if trend.growth and trend.growth.claimed:
        m = replace(m, gain_k=trend.growth.gain_now_k)
    highest = highest_speed(m, trend.around_c, trip_c, margin_k)
    if highest == SPEED_MAX:
        return []
    speed = math.floor(highest / 100) * 100
    up_to = f"up to {number(float(speed))} /min it stays {margin_k:g} K under its trip"
    return [f"{up_to} all week, with {trend.around_c:.0f} °C around it"]


def _week(m: BearingModel, trend: Trend, calendar: Calendar) -> list[str]:
    if not trend.weeks:
        return []
    week = trend.weeks[-1]
    gain = f"{week.gain_k:.2f} K ({week.low:.2f} to {week.high:.2f}) at {number(m.speed_ref)} /min"
    return [f"in the week from {calendar.text(week.first_day * DAY_US)[:10]} its heat was {gain}"]


def _growth(trend: Trend) -> str:
    found = trend.growth
    if found is None:
        return f"{trend.days} days are too few for a trend"
    interval = f"({found.low:+.2f} to {found.high:+.2f})"
    if not found.claimed:
        return f"no trend over {trend.days} days {interval} K a week"
    return f"it changes by {found.per_week_k:+.2f} K a week {interval}"


def _since(trend: Trend, calendar: Calendar) -> list[str]:
    if trend.turn is None:
        return []
    turn = f"{trend.turn.why} of {calendar.text(trend.turn.at_us)[:10]}"
    if trend.since is None:
        return [f"too few days before or after the {turn} to say what it changed"]
    s = trend.since
    interval = f"({s.low:+.2f} to {s.high:+.2f})"
    return [f"since the {turn} its heat changed by {s.change_k:+.2f} K {interval}"]


def _held(trend: Trend, calendar: Calendar) -> list[str]:
    """Until which date the speed that is needed is held."""
    if trend.held is None or trend.wanted is None:
        return []
    return [_until(trend.held, trend.wanted, trend.last_day, calendar)]


def _until(held: HeldUntil, wanted: Wanted, last_day: int, calendar: Calendar) -> str:
    speed, margin = number(wanted.speed), f"{wanted.margin_k:g} K"
    if held.days <= 0.0:
        return f"{speed} /min no longer stays {margin} under its trip on a warm day"
    if held.days == math.inf:
        return (
            f"{speed} /min is held for the next {held.horizon:.0f} days; further ahead is unknown"
        )

    def date(days: float) -> str:
        if days == math.inf:
            return "not in sight"
        return calendar.text(round((last_day + days) * DAY_US))[:10]

    return (
        f"{speed} /min would no longer stay {margin} under its trip from about {date(held.days)} "
        f"on ({date(held.soonest)} to {date(held.latest)})"
    )
