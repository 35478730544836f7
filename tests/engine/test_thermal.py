"""The thermal model's arithmetic: facts of the trade, steps, gaps, cuts."""

import math
from dataclasses import replace

import numpy as np
import pytest

from condmon.engine import thermal
from condmon.engine.thermal import BearingModel, Minute, Runner
from tests.engine.heat import Spindle, history

# common practice, no source: supply at 20 Cel, 18,000 /min settles at 39, the trip is at 50
TRADE = BearingModel(19.0, 18_000.0, 5 / 3, 1200.0, 1.0, 0.0, 0.3)
NAN = math.nan


def minutes(n: int, heat: float, *, temp: float = 39.0, supply: float = 20.0, first: int = 0):
    return [Minute(first + i, temp, NAN, supply, heat, 0.0) for i in range(n)]


def test_known_settled_point_gives_30_000_as_too_fast():
    assert 39.0 == TRADE.steady(18_000, 20.0)
    assert 64.0 == pytest.approx(TRADE.steady(30_000, 20.0), abs=0.6)  # "about 64": it trips


def test_highest_speed_that_stays_at_the_trip_is_about_23_700():
    at_trip = thermal.highest_speed(TRADE, 20.0, 50.0)
    assert 23_700 == pytest.approx(at_trip, rel=0.002)
    assert 50.0 == pytest.approx(TRADE.steady(at_trip, 20.0), abs=1e-9)
    with_margin = thermal.highest_speed(TRADE, 20.0, 50.0, margin_k=3.0)
    assert with_margin < at_trip
    assert 47.0 == pytest.approx(TRADE.steady(with_margin, 20.0), abs=1e-9)


def test_bearing_that_already_runs_hot_may_turn_less_fast():
    assert thermal.highest_speed(TRADE, 20.0, 50.0, excess_k=4.0) < 23_000
    assert 0.0 == thermal.highest_speed(TRADE, 52.0, 50.0)


@pytest.mark.parametrize("gain_k", [1e-308, 1e-3])
@pytest.mark.parametrize("exponent", [thermal.EXPONENT_MIN, thermal.EXPONENT_MAX])
def test_bearing_that_hardly_heats_may_turn_at_any_speed_that_there_is(gain_k, exponent):
    cool = replace(TRADE, gain_k=gain_k, exponent=exponent)
    assert thermal.SPEED_MAX == thermal.highest_speed(cool, 20.0, 50.0)


def test_minutes_to_trip_follow_the_first_order_rise():
    reach = thermal.minutes_to(TRADE, 39.0, 64.0, 50.0, 0.5)
    assert 20 * math.log(25 / 14) == pytest.approx(reach.minutes)
    assert reach.soonest < reach.minutes < reach.latest
    assert math.inf == thermal.minutes_to(TRADE, 39.0, 49.0, 50.0, 0.5).minutes
    assert 0.0 == thermal.minutes_to(TRADE, 51.0, 60.0, 50.0, 0.5).minutes


def test_interval_of_the_trip_is_open_where_the_steady_temperature_is_not_sure():
    reach = thermal.minutes_to(TRADE, 45.0, 50.4, 50.0, 0.5)
    assert math.isfinite(reach.minutes)
    assert math.inf == reach.latest


@pytest.mark.parametrize(
    ("exponent", "ends"),
    [(5 / 3, (33.378, 27.842, 65.623)), (1.0, (33.378, 27.842, 50.050))],
)
def test_speed_profile_has_the_constructed_ends(exponent, ends):
    """Room 22, lag 30 min, 18 K at 6,000: 30 min at 6,000, 20 at rest, 40 at 12,000."""
    model = BearingModel(18.0, 6000.0, exponent, 1800.0, 0.0, 0.0, 0.3)
    runner, now, got = Runner(model), 0, []
    for length, speed in ((30, 6000.0), (20, 0.0), (40, 12_000.0)):
        heat = (speed / 6000.0) ** exponent
        for _ in range(length):
            runner.step(Minute(now, 22.0, 22.0, NAN, heat, 0.0))
            now += 1
        got.append(runner.state()[1])  # the state at the end of the minute
    assert ends == pytest.approx(got, abs=5e-4)


def test_expected_follows_supply_and_room_by_their_shares():
    model = BearingModel(19.0, 18_000.0, 5 / 3, 1200.0, 0.8, 0.5, 0.3)
    assert 0.8 * 22 + 0.2 * 30 == pytest.approx(model.around(22.0, 30.0))
    assert 24.1 == pytest.approx(model.steady(0.0, model.around(22.0, 30.0)))


def test_state_begins_at_the_measured_temperature():
    runner = Runner(TRADE)
    seen = [runner.step(m) for m in minutes(120, 1.0, temp=44.0)]
    assert seen[0].residual_k < 0.2  # it starts where it is measured
    assert 5.0 == pytest.approx(seen[-1].residual_k, abs=0.02)  # and shows what speed explains not


def test_short_silence_is_bridged_and_a_long_one_forgets():
    runner = Runner(TRADE)
    for minute in minutes(100, 1.0, temp=44.0):
        last = runner.step(minute)
    after_short = runner.step(minutes(1, 1.0, temp=44.0, first=105)[0])
    assert last.residual_k == pytest.approx(after_short.residual_k, abs=0.05)
    after_long = runner.step(minutes(1, 1.0, temp=44.0, first=200)[0])
    assert after_long.residual_k < 0.5


def test_unknown_inputs_are_unknown_answers():
    runner = Runner(TRADE)
    assert math.isnan(runner.step(Minute(0, 39.0, NAN, NAN, NAN, 0.0)).expected_c)
    assert math.isnan(runner.step(Minute(1, 39.0, NAN, 20.0, NAN, 0.0)).expected_c)
    assert math.isnan(runner.step(Minute(2, NAN, NAN, 20.0, 1.0, 0.0)).expected_c)
    known = runner.step(Minute(3, 39.0, NAN, 20.0, 1.0, 0.0))
    assert 39.0 == pytest.approx(known.expected_c)
    hidden = runner.step(Minute(4, NAN, NAN, 20.0, 1.0, 0.0))
    assert 39.0 == pytest.approx(hidden.expected_c)
    assert math.isnan(hidden.residual_k)


def test_machine_that_is_off_cools_towards_the_room_with_its_own_lag():
    model = BearingModel(19.0, 18_000.0, 5 / 3, 1200.0, 0.8, 0.0, 0.3, tau_off_s=2400.0)
    runner = Runner(model)
    runner.step(Minute(0, 40.0, 20.0, 22.0, 0.0, 1.0))
    for i in range(1, 40):
        seen = runner.step(Minute(i, NAN, 20.0, NAN, NAN, 1.0))
    assert 20 + 20 * math.exp(-39.5 / 40) == pytest.approx(seen.expected_c, abs=0.02)
    assert 20.0 == seen.around_c


def test_off_without_a_known_lag_is_unknown_and_starts_anew():
    runner = Runner(TRADE)
    for minute in minutes(60, 1.0):
        runner.step(minute)
    assert math.isnan(runner.step(Minute(60, 39.0, 20.0, 20.0, 0.0, 1.0)).expected_c)
    assert 25.0 == pytest.approx(
        runner.step(minutes(1, 0.0, temp=25.0, first=61)[0]).expected_c, abs=0.2
    )


def test_runner_goes_on_from_a_saved_state_with_the_same_bits():
    h = history(2, 5, Spindle(slow_share=0.3), gaps=4)
    model = BearingModel(15.0, 15_000.0, 1.5, 1100.0, 0.7, 0.1, 0.3, None, 0.25, 7000.0)
    heat = thermal.heat_column(h.speed, model)
    rows = [
        Minute(*row)
        for row in zip(
            h.minute.tolist(), *(c.tolist() for c in (h.temp_c, h.room_c, h.supply_c, heat, h.off)),
            strict=True,
        )
    ]  # fmt: skip
    whole = Runner(model)
    expected = [whole.step(row) for row in rows]
    rng, got, runner = np.random.default_rng(1), [], Runner(model)
    for row in rows:
        got.append(runner.step(row))
        if rng.random() < 0.1:
            state = runner.state()
            runner = Runner(model)
            runner.load(state)
    assert repr(expected) == repr(got)
    assert sum(not math.isnan(seen.residual_k) for seen in got) > 300
