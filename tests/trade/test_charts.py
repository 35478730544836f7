"""Control charts against NIST's worked examples (second hand) and Montgomery's (from memory)."""

import numpy as np
import pytest

from condmon.trade import charts
from tests.trade.vectors import vector


def test_individuals_have_nist_limits():
    v = vector("imr")  # NIST/SEMATECH e-Handbook 6.3.2.2, second hand
    chart = charts.individuals(v.column())
    assert v.expected["mean"] == pytest.approx(chart.mean, abs=v.tol)
    assert v.expected["mr_mean"] == pytest.approx(chart.mr_mean, abs=v.tol)
    assert v.expected["ucl"] == pytest.approx(chart.high, abs=v.tol)
    assert v.expected["lcl"] == pytest.approx(chart.low, abs=v.tol)
    assert v.expected["mr_ucl_D4_3267"] == pytest.approx(chart.mr_high, abs=v.tol)
    assert v.expected["out"] == chart.out.sum()


def test_median_range_gives_the_computed_sigma():
    chart = charts.individuals(vector("imr").column(), median=True)
    assert 1.57233 == pytest.approx(chart.sigma, abs=1e-5)  # REFERENCES a1, computed


def test_one_step_of_the_level_does_not_widen_trimmed_limits():
    x = np.array([10.0, 10.2, 9.9, 10.1, 10.0, 10.2, 20.0, 20.1, 19.9, 20.2])
    plain, trimmed = charts.individuals(x), charts.individuals(x, trimmed=True)
    assert trimmed.sigma < 0.3 < plain.sigma


def test_single_value_has_no_chart():
    with pytest.raises(ValueError, match="at least 2"):
        charts.individuals(np.array([1.0]))


def test_ewma_has_nist_values_and_limits():
    v = vector("ewma")  # NIST/SEMATECH e-Handbook 6.3.2.4, second hand
    args = v.input["target"], v.input["s"], v.input["lam"], v.input["k"]
    final = charts.ewma(v.column(), *args, exact=False)
    assert v.expected["ewma2dp"][1:] == pytest.approx(final.value.tolist(), abs=0.0051)
    assert v.expected["ucl"] == pytest.approx(final.high[0], abs=1e-6)
    assert v.expected["lcl"] == pytest.approx(final.low[-1], abs=1e-6)
    assert not final.out.any()
    exact = charts.ewma(v.column(), *args)
    assert v.expected["ucl_exact_first5"] == pytest.approx(exact.high[:5].tolist(), abs=5e-5)


def test_ewma_of_montgomery_data_signals_at_29():
    x = vector("cusum_montgomery").column()  # Montgomery, from memory; limits computed
    chart = charts.ewma(x, 10.0, 1.0, 0.1, 2.7)
    assert [28, 29] == np.flatnonzero(chart.out).tolist()
    assert 10.6468 == pytest.approx(chart.value[28], abs=5e-5)
    assert 10.6187 == pytest.approx(chart.high[28], abs=5e-5)


@pytest.mark.parametrize(("weight", "sigma"), [(0.0, 1.0), (1.1, 1.0), (0.2, 0.0)])
def test_ewma_refuses_figures_without_a_meaning(weight, sigma):
    with pytest.raises(ValueError, match="weight"):
        charts.ewma(np.ones(3), 1.0, sigma, weight, 3.0)


def test_cusum_has_nist_sums_and_signal():
    v = vector("cusum")  # NIST/SEMATECH e-Handbook 6.3.2.3, second hand
    chart = charts.cusum(v.column(), v.input["target"], v.input["k"], v.input["h"])
    assert v.expected["s_hi"] == pytest.approx(chart.high.tolist(), abs=v.tol)
    assert v.expected["s_lo"] == pytest.approx(chart.low.tolist(), abs=v.tol)
    assert v.expected["first_signal"] - 1 == chart.first_signal()


def test_cusum_counter_tells_when_the_shift_began():
    v = vector("cusum_montgomery")  # Montgomery Table 9.1, from memory
    chart = charts.cusum(v.column(), v.input["target"], v.input["k"], v.input["h"])
    at = chart.first_signal()
    assert at is not None
    assert v.expected["first_signal"] - 1 == at
    assert v.expected["c_plus"] == pytest.approx(chart.high[at], abs=v.tol)
    assert v.expected["n_plus"] == chart.n_high[at]
    assert [*range(1, 9)] == chart.n_high[22:30].tolist()


def test_cusum_of_a_quiet_series_never_signals():
    assert charts.cusum(np.tile([1.0, -1.0], 50), 0.0, 0.5, 5.0).first_signal() is None


def test_cusum_refuses_a_limit_of_nothing():
    with pytest.raises(ValueError, match="limit"):
        charts.cusum(np.ones(3), 0.0, 0.5, 0.0)
