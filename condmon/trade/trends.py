"""Trends: straight line with t interval, Theil-Sen slope with Sen's interval, Kendall's tau. Pure.

Both slopes are in units of y per unit of x. Inputs have shape (n,) float64 without NaN. An interval
that holds zero is no trend, however steep the slope looks.
"""

import math
from collections import Counter
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from condmon.trade.quantiles import normal_cdf, normal_quantile, t_quantile

Column = NDArray[np.float64]
EXACT_N_MAX = 50
"""Up to so many values without ties, Kendall's p is counted out exactly."""


class Line(NamedTuple):
    """Least-squares line; `low` and `high` bound the slope."""

    slope: float
    intercept: float
    slope_se: float
    intercept_se: float
    residual_sd: float
    r2: float
    low: float
    high: float

    def at(self, x: float) -> float:
        """The line's value."""
        return self.intercept + self.slope * x


def line(x: Column, y: Column, confidence: float = 0.95) -> Line:
    """Straight line with the t interval of its slope.

    Raises ValueError for fewer than three points or an x that does not vary.
    Source of the check values: NIST StRD Norris (second hand).
    """
    n = len(x)
    if n < 3:
        raise ValueError(f"a line with an interval needs three points, not {n}")
    mean_x, mean_y = float(np.mean(x)), float(np.mean(y))
    dx, dy = x - mean_x, y - mean_y
    sxx = math.fsum((dx * dx).tolist())
    if sxx == 0.0:
        raise ValueError("x does not vary, so there is no slope")
    slope = math.fsum((dx * dy).tolist()) / sxx
    intercept = mean_y - slope * mean_x
    rest = dy - slope * dx
    rss, syy = math.fsum((rest * rest).tolist()), math.fsum((dy * dy).tolist())
    sd = math.sqrt(rss / (n - 2))
    se = sd / math.sqrt(sxx)
    reach = t_quantile(0.5 + confidence / 2.0, n - 2) * se
    return Line(
        slope,
        intercept,
        se,
        sd * math.sqrt(1.0 / n + mean_x * mean_x / sxx),
        sd,
        1.0 - rss / syy if syy > 0 else 1.0,
        slope - reach,
        slope + reach,
    )


class Sen(NamedTuple):
    """Theil-Sen slope; `low` and `high` are infinite where the points cannot give the interval."""

    slope: float
    intercept: float  # median of y less slope x median of x
    low: float
    high: float


def theil_sen(x: Column, y: Column, confidence: float = 0.95) -> Sen:
    """Median of the slopes between all pairs, with Sen's interval by the variance of Kendall's S.

    Takes n^2 / 2 slopes: meant for days and weeks, not for seconds. Raises ValueError for fewer
    than two points or an x that does not vary. Source: Sen 1968 (second hand).
    """
    n = len(x)
    first, second = np.triu_indices(n, 1)
    dx, dy = x[second] - x[first], y[second] - y[first]
    moved = dx != 0.0
    if not moved.any():
        raise ValueError("at least two points at different x are needed")
    slopes = np.sort(dy[moved] / dx[moved])
    slope = float(np.median(slopes))
    intercept = float(np.median(y)) - slope * float(np.median(x))
    half = normal_quantile(0.5 + confidence / 2.0) * math.sqrt(_variance_s(x, y))
    low = math.floor((len(slopes) - half) / 2.0)  # rank from 1
    high = math.ceil((len(slopes) + half) / 2.0) + 1
    if n < 3 or low < 1 or high > len(slopes):
        return Sen(slope, intercept, -math.inf, math.inf)
    return Sen(slope, intercept, float(slopes[low - 1]), float(slopes[high - 1]))


class Kendall(NamedTuple):
    """Kendall's tau (tau-b) and the two-sided p of "no order at all"."""

    tau: float
    p: float


def kendall(x: Column, y: Column) -> Kendall:
    """Rank correlation; p exact for up to EXACT_N_MAX values without ties, else by the normal."""
    n = len(x)
    first, second = np.triu_indices(n, 1)
    s = float(np.sum(np.sign(x[second] - x[first]) * np.sign(y[second] - y[first])))
    pairs = n * (n - 1) / 2.0
    ties_x, ties_y = _tied_pairs(x), _tied_pairs(y)
    if pairs in {ties_x, ties_y}:
        raise ValueError("a column does not vary")
    tau = s / math.sqrt((pairs - ties_x) * (pairs - ties_y))
    if not ties_x and not ties_y and n <= EXACT_N_MAX:
        return Kendall(tau, _exact_p(n, s))
    z = abs(s) / math.sqrt(_variance_s(x, y))
    return Kendall(tau, 2.0 * normal_cdf(-z))


def _exact_p(n: int, s: float) -> float:
    """Two-sided share of the n! orders with at least |s|, by counting inversions."""
    counts = [1]
    for k in range(2, n + 1):  # orders of k values by inversions
        wide = len(counts) + k - 1
        counts = [sum(counts[max(0, i - k + 1) : i + 1]) for i in range(wide)]
    most = round((n * (n - 1) / 2 - abs(s)) / 2)
    return min(1.0, 2 * sum(counts[: most + 1]) / sum(counts))


def _variance_s(x: Column, y: Column) -> float:
    """Variance of Kendall's S with ties in either column taken off (Sen 1968)."""
    n = len(x)
    ties = [k for column in (x, y) for k in Counter(column.tolist()).values() if k > 1]
    return (n * (n - 1) * (2 * n + 5) - sum(k * (k - 1) * (2 * k + 5) for k in ties)) / 18.0


def _tied_pairs(column: Column) -> float:
    return sum(k * (k - 1) / 2.0 for k in Counter(column.tolist()).values())
