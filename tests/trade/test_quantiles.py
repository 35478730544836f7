"""Distributions against published tables (statistics books, second hand) and exact identities."""

import math

import pytest

from condmon.trade import quantiles as q


@pytest.mark.parametrize(
    ("p", "z"),
    [(0.975, 1.959963984540054), (0.995, 2.5758293035489004), (0.9, 1.2815515655446004)],
)
def test_normal_quantile_has_the_tabled_value(p, z):
    assert z == pytest.approx(q.normal_quantile(p), rel=1e-13)
    assert -z == pytest.approx(q.normal_quantile(1 - p), rel=1e-13)


def test_normal_tail_keeps_its_relative_precision():
    assert -8.0 == pytest.approx(q.normal_quantile(q.normal_cdf(-8.0)), rel=1e-12)


@pytest.mark.parametrize(
    ("p", "df", "t"),
    [
        (0.975, 1, 12.706204736432095),
        (0.975, 5, 2.570581835636314),
        (0.975, 34, 2.032244509317718),
        (0.95, 10, 1.8124611228107335),
        (0.995, 120, 2.6174211),
    ],
)
def test_t_quantile_has_the_tabled_value(p, df, t):
    assert t == pytest.approx(q.t_quantile(p, df), rel=1e-7)


def test_t_with_one_degree_of_freedom_is_the_cauchy_distribution():
    for t in (-30.0, -1.0, 0.3, 4.0):
        assert 0.5 + math.atan(t) / math.pi == pytest.approx(q.t_cdf(t, 1), rel=1e-12)


@pytest.mark.parametrize(
    ("p", "df", "x"),
    [(0.95, 1, 3.841458820694124), (0.95, 10, 18.307038053275146), (0.05, 4, 0.7107230213973239)],
)
def test_chi2_quantile_has_the_tabled_value(p, df, x):
    assert x == pytest.approx(q.chi2_quantile(p, df), rel=1e-12)


def test_chi2_with_two_degrees_of_freedom_is_exponential():
    for x in (0.1, 2.0, 40.0):
        assert -math.expm1(-x / 2) == pytest.approx(q.chi2_cdf(x, 2), rel=1e-13)


@pytest.mark.parametrize("p", [0.0, 1.0, -0.1, math.nan])
def test_share_outside_0_to_1_is_refused(p):
    for of in (q.normal_quantile, lambda p: q.t_quantile(p, 3), lambda p: q.chi2_quantile(p, 3)):
        with pytest.raises(ValueError, match="between 0 and 1"):
            of(p)


def test_no_degree_of_freedom_is_refused():
    for of in (q.t_quantile, q.chi2_quantile):
        with pytest.raises(ValueError, match="degree of freedom"):
            of(0.9, 0)
