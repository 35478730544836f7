"""First-order response against NIST StRD (second hand) and constructed values."""

import math

import numpy as np
import pytest

from condmon.trade import firstorder
from condmon.trade.firstorder import FitError
from tests.trade.vectors import vector


@pytest.mark.parametrize("name", ["misra1a", "boxbod"])
def test_exponential_fit_has_the_certified_values_from_every_start(name):
    v = vector(name)  # NIST StRD, second hand
    for start in [None, *map(tuple, v.input["starts"])]:
        fit = firstorder.fit_exponential(v.column("x"), v.column("y"), start)
        assert v.expected["b1"] == pytest.approx(fit.rise, rel=v.tol)
        assert v.expected["b2"] == pytest.approx(fit.rate, rel=v.tol)
        assert v.expected["se"] == pytest.approx([fit.rise_se, fit.rate_se], rel=v.tol)
        assert v.expected["rss"] == pytest.approx(fit.rss, rel=v.tol)


def test_time_constants_follow_from_the_rates():
    fits = {}
    for name in ("misra1a", "boxbod"):
        v = vector(name)
        fits[name] = firstorder.fit_exponential(v.column("x"), v.column("y"))
    assert 1817.665 == pytest.approx(fits["misra1a"].tau, abs=5e-4)
    assert 1.827360 == pytest.approx(fits["boxbod"].tau, abs=5e-7)
    assert 0.34915 == pytest.approx(fits["boxbod"].tau_se, abs=5e-6)


def test_false_minimum_of_boxbod_is_told_and_left():
    v = vector("boxbod")  # the trap is reproduced, not published
    x, y = v.column("x"), v.column("y")
    trap = firstorder.descend(x, y, (1.0, 1.0))
    assert v.expected["trap_from_1_1"]["b1"] == pytest.approx(trap.rise, abs=0.05)
    assert v.expected["trap_from_1_1"]["rss"] == pytest.approx(trap.rss, abs=0.5)
    assert not firstorder.is_sound(x, trap)
    fit = firstorder.fit_exponential(x, y, (1.0, 1.0))
    assert fit.restarted
    assert v.expected["b1"] == pytest.approx(fit.rise, rel=v.tol)


def test_good_start_is_not_called_a_restart():
    v = vector("boxbod")
    assert not firstorder.fit_exponential(v.column("x"), v.column("y"), (100.0, 0.75)).restarted


@pytest.mark.parametrize(
    "y", [np.arange(1.0, 9.0), np.full(8, 4.0), np.zeros(8)], ids=["straight", "flat", "zero"]
)
def test_series_that_shows_no_rise_is_refused(y):
    with pytest.raises(FitError):
        firstorder.fit_exponential(np.arange(1.0, 9.0), y)


def test_two_points_are_refused():
    with pytest.raises(FitError, match="three points"):
        firstorder.fit_exponential(np.array([1.0, 2.0]), np.array([1.0, 1.5]))


def test_three_readings_give_the_asymptote():
    v = vector("asymptote3")  # a worked cooling problem, second hand
    found = firstorder.asymptote(*v.input["T"])
    assert v.expected["Tinf"] == pytest.approx(found.final, rel=v.tol)
    assert v.expected["tau"] == pytest.approx(found.tau, rel=v.tol)


def test_straight_or_turning_readings_have_no_asymptote():
    with pytest.raises(FitError, match="straight"):
        firstorder.asymptote(1.0, 2.0, 3.0)
    with pytest.raises(FitError, match="approach"):
        firstorder.asymptote(1.0, 2.0, 1.5)
    with pytest.raises(FitError, match="approach"):
        firstorder.asymptote(1.0, 2.0, 4.0)


def test_warm_up_has_the_constructed_values():
    v = vector("warmup")  # constructed
    t = v.column("t")
    warm = firstorder.response(t, v.input["Ta"], v.input["Ta"] + v.input["rise"], v.input["tau"])
    assert v.expected["T"] == pytest.approx(warm.tolist(), rel=v.tol)
    assert 40.0 == pytest.approx(firstorder.asymptote(*warm[1:4].tolist(), 10.0).final, rel=1e-9)


def test_time_to_ninety_per_cent_is_2_3_time_constants():
    reached = firstorder.response(np.array([math.log(10.0)]), 0.0, 1.0, 1.0)
    assert 0.9 == pytest.approx(reached[0], rel=1e-12)
