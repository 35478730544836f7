"""Fitting: what is put into the simulation comes out again, or the fit says why not."""

import math

import numpy as np
import pytest

from condmon.engine import thermal, thermal_fit
from condmon.engine.thermal import Minute, Runner
from condmon.engine.thermal_fit import FitRefused, fit
from condmon.engine.thermal_lags import heat_at, lagged, prepare
from tests.engine.heat import DAY_STEPS, TOP, Spindle, history

WEEK = 7  # five working days


def gain_at_top(model: thermal.BearingModel) -> float:
    return model.gain_k * (TOP / model.speed_ref) ** model.exponent


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "spindle",
    [Spindle(), Spindle(12.0, 1.2, 700.0, noise_k=0.5), Spindle(24.0, 1.4, 2400.0, offset_k=1.0)],
    ids=["steep", "flat-and-quick", "slow-and-biased"],
)
def test_five_working_days_give_gain_lag_and_exponent(spindle, seed):
    model = fit(history(WEEK, seed, spindle))
    assert spindle.gain_k == pytest.approx(gain_at_top(model), rel=0.03)
    assert spindle.tau_s == pytest.approx(model.tau_s, rel=0.10)
    assert spindle.exponent == pytest.approx(model.exponent, abs=0.05)
    assert spindle.supply_share == pytest.approx(model.supply_share, abs=0.05)
    assert 0.0 == model.slow_share


def test_supply_alone_or_room_alone_is_enough():
    by_room = fit(history(WEEK, 3, Spindle(supply_share=0.0), supply=False))
    assert 0.0 == by_room.supply_share
    assert 19.0 == pytest.approx(gain_at_top(by_room), rel=0.03)
    by_supply = fit(history(WEEK, 3, Spindle(supply_share=1.0), room=False))
    assert 1.0 == by_supply.supply_share
    assert 19.0 == pytest.approx(gain_at_top(by_supply), rel=0.03)


def test_bearing_that_ignores_the_room_gets_no_share_of_it():
    model = fit(history(WEEK, 8, Spindle(supply_share=1.0)))
    assert 1.0 == pytest.approx(model.supply_share, abs=0.02)
    assert model.supply_share <= 1.0


def test_lag_with_the_power_off_is_fitted_where_it_is_seen():
    model = fit(history(WEEK, 2, seen_off=True))
    assert model.tau_off_s is not None
    assert 2400.0 == pytest.approx(model.tau_off_s, rel=0.10)
    assert fit(history(WEEK, 2)).tau_off_s is None


def test_second_lag_is_found_where_there_is_one():
    model = fit(history(WEEK, 5, Spindle(slow_share=0.3)))
    assert 0.3 == pytest.approx(model.slow_share, abs=0.05)
    assert 7200.0 == pytest.approx(model.slow_tau_s, rel=0.15)
    assert 1200.0 == pytest.approx(model.tau_s, rel=0.10)


def test_spikes_of_a_loose_plug_change_nothing():
    h = history(WEEK, 1)
    rng = np.random.default_rng(3)
    hit = rng.random(len(h.minute)) < 0.03
    spoiled = h._replace(temp_c=np.where(hit, h.temp_c + rng.choice([-15, 20]), h.temp_c))
    assert 19.0 == pytest.approx(gain_at_top(fit(spoiled)), rel=0.03)


def test_runner_and_fit_see_the_same_temperatures():
    h = history(2, 4)
    model = fit(history(WEEK, 4))
    problem = thermal_fit.Problem(h)
    p = problem.prepared
    heat = heat_at(p.history.heats, model.exponent, model.speed_ref)
    around = model.supply_share * p.history.supply_c + (1 - model.supply_share) * p.history.room_c
    goal = (around + model.offset_k + model.gain_k * heat)[:, None]
    tau = np.full(len(heat), model.tau_s)
    whole = lagged(goal, tau, p.ready, p.start, p.history.temp_c[:, None])[:, 0]
    runner, got = Runner(model), []
    for i in range(len(heat)):
        row = (p.history.temp_c[i], p.history.room_c[i], p.history.supply_c[i], heat[i], h.off[i])
        got.append(runner.step(Minute(int(h.minute[i]), *map(float, row))).expected_c)
    both = ~np.isnan(whole) & ~np.isnan(got)
    assert both.sum() > 600
    assert np.abs(whole - np.array(got))[both].max() < 1e-6


# what is refused


def flat(day, rng):
    """One speed all day long."""
    out = np.full(DAY_STEPS, np.nan)
    out[6 * 360 : 18 * 360] = 0.5 * TOP
    return out


def test_no_reference_is_refused():
    with pytest.raises(FitRefused, match="room nor coolant"):
        fit(history(WEEK, 1, room=False, supply=False))


def test_short_history_is_refused():
    h = history(1, 1)
    with pytest.raises(FitRefused, match="10 h are needed"):
        fit(type(h)(*(column[:900] for column in h)))
    with pytest.raises(FitRefused, match="no history"):
        fit(type(h)(*(column[:0] for column in h)))


def test_spindle_that_hardly_turned_is_refused():
    h = history(WEEK, 1, plan=lambda day, rng: np.zeros(DAY_STEPS))
    with pytest.raises(FitRefused, match="turned for less"):
        fit(h)


def test_one_speed_only_does_not_tell_the_exponent():
    with pytest.raises(FitRefused, match=r"excitation|infinite covariance"):
        fit(history(WEEK, 1, plan=flat))


def test_bearing_that_hardly_warms_is_refused():
    with pytest.raises(FitRefused, match="too little excitation"):
        fit(history(WEEK, 1, Spindle(gain_k=1.0)))


def test_temperature_without_any_lag_is_a_false_minimum():
    h = history(WEEK, 1)
    at_once = 22.0 + 19.0 * heat_at(h.heats, 5 / 3, TOP)
    with pytest.raises(FitRefused, match="false minimum"):
        fit(h._replace(temp_c=np.where(np.isnan(h.temp_c), np.nan, at_once)))


def test_temperature_moved_by_something_else_is_refused():
    h = history(WEEK, 1)
    t = np.arange(len(h.minute))
    wild = h.temp_c + 8.0 * np.sin(t / 300.0)
    with pytest.raises(FitRefused, match=r"unexplained|stay alike"):
        fit(h._replace(temp_c=wild))


def test_bearing_that_cools_with_speed_is_refused():
    h = history(WEEK, 1)
    with pytest.raises(FitRefused):
        fit(h._replace(temp_c=44.0 - (h.temp_c - 22.0)))


def test_uncertainty_is_told_and_small():
    model = fit(history(WEEK, 1))
    assert 0.0 < model.se("exponent") < 0.05
    assert 0.0 < model.se("gain_k") < 0.5
    assert 0.0 < model.steady_se(TOP) < 0.5
    assert math.isnan(model.se("what"))


def test_alike_minutes_of_white_noise_are_one():
    rng = np.random.default_rng(2)
    assert 1.0 == pytest.approx(thermal_fit.alike_minutes(rng.normal(0, 1, 4000)), abs=0.3)
    slow = np.repeat(rng.normal(0, 1, 100), 60)
    assert 60.0 == pytest.approx(thermal_fit.alike_minutes(slow), rel=0.2)


def test_history_with_gaps_knows_where_its_state_begins():
    p = prepare(history(3, 6, gaps=6))
    assert (p.ready | ~p.start).all()
    assert 3 <= p.start.sum() < 20
