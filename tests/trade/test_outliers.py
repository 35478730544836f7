"""Outliers against NIST's worked examples (second hand)."""

import math

import numpy as np
import pytest

from condmon.trade import outliers
from tests.trade.vectors import vector


def test_grubbs_has_nist_statistic_and_critical_values():
    v = vector("grubbs")  # NIST/SEMATECH e-Handbook 1.3.5.17.1, second hand
    one = outliers.grubbs(v.column(), v.input["alpha"], side="high")
    two = outliers.grubbs(v.column(), v.input["alpha"])
    assert v.expected["G"] == pytest.approx(one.g, abs=v.tol)
    assert v.expected["crit_one"] == pytest.approx(one.critical, abs=v.tol)
    assert v.expected["crit_two"] == pytest.approx(two.critical, abs=v.tol)
    assert one.outlier
    assert 7 == one.place
    assert not outliers.grubbs(v.column(), side="low").outlier


def test_modified_z_sees_what_three_sigma_cannot():
    v = vector("grubbs")
    z = outliers.modified_z(v.column())
    assert v.expected["modz"] == pytest.approx(z.max(), abs=v.tol)
    n = len(z)
    assert (n - 1) / math.sqrt(n) < 3  # no value of eight can be three sigma away


def test_modified_z_without_scatter_is_infinite_beside_the_median():
    assert [0.0, 0.0, 0.0, math.inf, -math.inf] == outliers.modified_z(
        np.array([5.0, 5.0, 5.0, 6.0, 4.0])
    ).tolist()


def test_generalised_esd_finds_the_three_that_hide_one_another():
    v = vector("gesd")  # NIST/SEMATECH e-Handbook 1.3.5.17.3, Rosner 1983, second hand
    x = v.column()
    found = outliers.generalised_esd(x, v.input["r"], v.input["alpha"])
    assert v.expected["outliers"] == x[found.outliers].tolist()
    assert v.expected["R"] == pytest.approx(found.r, abs=v.tol)
    assert v.expected["lam"] == pytest.approx(found.critical, abs=v.tol)
    assert found.r[0] < found.critical[0]  # one at a time would have found none


def test_too_short_or_flat_series_are_refused():
    with pytest.raises(ValueError, match="at least 3"):
        outliers.grubbs(np.array([1.0, 2.0]))
    with pytest.raises(ValueError, match="scatter"):
        outliers.grubbs(np.ones(5))
    with pytest.raises(ValueError, match="remain"):
        outliers.generalised_esd(np.arange(4.0), 2)
    with pytest.raises(ValueError, match="side"):
        outliers.grubbs(np.arange(4.0), side="up")


def test_esd_of_equal_values_names_none():
    assert [] == outliers.generalised_esd(np.ones(8), 3).outliers
