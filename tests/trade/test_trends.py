"""Trends against NIST StRD and Sen's example (second hand)."""

import math

import numpy as np
import pytest

from condmon.trade import trends
from tests.trade.vectors import vector


def test_line_has_the_certified_values_of_norris():
    v = vector("norris")  # NIST StRD, second hand
    line = trends.line(v.column("x"), v.column("y"))
    assert v.expected["slope"] == pytest.approx(line.slope, rel=v.tol)
    assert v.expected["intercept"] == pytest.approx(line.intercept, rel=v.tol)
    assert v.expected["se_slope"] == pytest.approx(line.slope_se, rel=v.tol)
    assert v.expected["se_intercept"] == pytest.approx(line.intercept_se, rel=v.tol)
    assert v.expected["r2"] == pytest.approx(line.r2, rel=v.tol)
    assert v.expected["slope_ci95"] == pytest.approx([line.low, line.high], rel=v.tol)
    assert 0.884796396144373 == pytest.approx(line.residual_sd, rel=v.tol)


def test_theil_sen_has_the_slope_and_limits_of_sen():
    v = vector("theil_sen")  # Sen 1968, second hand
    sen = trends.theil_sen(v.column("x"), v.column("y"), v.input["conf"])
    assert v.expected["slope"] == sen.slope
    assert v.expected["intercept"] == sen.intercept
    assert v.expected["low"] == pytest.approx(sen.low, abs=v.tol)
    assert v.expected["high"] == pytest.approx(sen.high, abs=v.tol)


def test_five_falling_values_are_no_trend_yet():
    v = vector("theil_sen_small")  # data from memory of Hollander and Wolfe
    sen = trends.theil_sen(v.column("x"), v.column("y"))
    tau = trends.kendall(v.column("x"), v.column("y"))
    assert v.expected["slope"] == pytest.approx(sen.slope, abs=v.tol)
    assert v.expected["kendall_tau"] == pytest.approx(tau.tau, abs=v.tol)
    assert v.expected["p"] == pytest.approx(tau.p, abs=v.tol)
    assert v.expected["trend"] == (sen.high < 0 or sen.low > 0)


def test_two_points_have_a_slope_and_no_interval():
    sen = trends.theil_sen(np.array([1.0, 2.0]), np.array([3.0, 5.0]))
    assert (2.0, -math.inf, math.inf) == (sen.slope, sen.low, sen.high)


def test_x_that_does_not_vary_is_refused():
    x, y = np.ones(4), np.arange(4.0)
    for of in (trends.theil_sen, trends.line, trends.kendall):
        with pytest.raises(ValueError, match=r"vary|different x"):
            of(x, y)
    with pytest.raises(ValueError, match="three points"):
        trends.line(np.arange(2.0), np.arange(2.0))


def test_kendall_with_ties_goes_by_the_normal_distribution():
    x = np.arange(40.0)
    up = trends.kendall(x, np.floor(x / 3))
    none = trends.kendall(x, np.tile([1.0, 2.0, 2.0, 1.0], 10))
    assert up.p < 1e-9
    assert up.tau > 0.9
    assert none.p > 0.5


def test_intervals_hold_the_true_slope_as_often_as_they_say():
    rng = np.random.default_rng(7)
    x, held = np.arange(20.0), np.zeros(2)
    for _ in range(400):
        y = 0.3 * x + rng.normal(0, 2, 20)
        sen, line = trends.theil_sen(x, y), trends.line(x, y)
        held += [sen.low <= 0.3 <= sen.high, line.low <= 0.3 <= line.high]
    assert (0.92 <= held / 400).all()
    assert (held / 400 <= 0.99).all()
