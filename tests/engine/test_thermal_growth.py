"""Growth of the heat gain: found where it is, not claimed where it is not."""

import math

import pytest

from condmon.engine.thermal_fit import fit
from condmon.engine.thermal_growth import (
    DayGain,
    change_since,
    day_gains,
    growth,
    held_until,
    week_gains,
)
from tests.engine.heat import Spindle, history


def days_of(*args, **more):
    h = history(*args, **more)
    model = fit(h)
    return model, day_gains(model, h)


@pytest.mark.parametrize("seed", [100, 101, 102])
@pytest.mark.parametrize("how", ["ramp", "step"])
def test_growth_of_ten_per_cent_is_found_within_ten_working_days(seed, how):
    shares = {"ramp": lambda day: 0.1 * min(day / 11, 1), "step": lambda day: 0.1 * (day >= 5)}
    _, days = days_of(14, seed, growth=shares[how])
    assert len(days) <= 10
    found = growth(days)
    assert found is not None
    assert found.low > 0.0
    assert found.claimed


@pytest.mark.parametrize(
    ("seed", "more"),
    [
        (200, {"seen_off": True}),
        (201, {"spindle": Spindle(supply_share=0.5, noise_k=0.4)}),
        (202, {"spindle": Spindle(supply_share=0.0), "supply": False}),
    ],
)
def test_sixty_healthy_days_with_seasons_claim_no_trend(seed, more):
    _, days = days_of(60, seed, **more)
    found = growth(days)
    assert found is not None
    assert len(days) > 35
    assert not found.claimed


def test_weeks_have_intervals_that_hold_the_truth():
    model, days = days_of(28, 7)
    true = 19.0 * (model.speed_ref / 18_000) ** (5 / 3)
    weeks = week_gains(days)
    assert 4 == len(weeks)
    for week in weeks:
        assert week.low < week.high
        assert true == pytest.approx(week.gain_k, rel=0.03)
    assert [] == week_gains([])


def test_change_since_a_hard_stop_is_told_with_its_interval():
    first = history(1, 9).minute[0] // 1440
    _, days = days_of(14, 9, growth=lambda day: 0.15 * (day >= 7))
    found = change_since(days, int(first) + 7)
    assert found is not None
    assert found.low > 0.0
    assert (5, 5) == (found.days_before, found.days_after)
    assert change_since(days, days[0].day) is None


def line_of(n: int, per_day: float, gain: float = 15.0) -> list[DayGain]:
    return [DayGain(100 + i, gain + per_day * i + 0.01 * (-1) ** i, 0.1) for i in range(n)]


def test_date_of_a_speed_that_can_no_longer_be_held():
    model = fit(history(7, 1))
    days = line_of(30, 0.05)
    now = 15.0 + 0.05 * 29
    trip = 22.0 + model.offset_k + now + 3.0 + 0.05 * 20  # the margin is used up in 20 days
    found = held_until(model, days, model.speed_ref, 22.0, trip, 3.0)
    assert found is not None
    assert 20.0 == pytest.approx(found.days, abs=0.6)
    assert found.soonest <= found.days <= found.latest
    assert 29.0 == found.horizon


def test_nothing_is_told_further_ahead_than_the_history_reaches_back():
    model = fit(history(7, 1))
    far = held_until(model, line_of(30, 0.05), model.speed_ref, 22.0, 80.0, 3.0)
    assert far is not None
    assert math.inf == far.days
    assert held_until(model, line_of(30, 0.0), model.speed_ref, 22.0, 50.0, 3.0) is None
    assert held_until(model, line_of(4, 0.5), model.speed_ref, 22.0, 50.0, 3.0) is None


def test_speed_that_is_not_held_today_is_told_as_today():
    model = fit(history(7, 1))
    found = held_until(model, line_of(30, 0.05), model.speed_ref, 22.0, 30.0, 3.0)
    assert found is not None
    assert 0.0 == found.days
