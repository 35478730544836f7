"""Control charts: individuals with moving range, EWMA, tabular CUSUM with its run counter. Pure.

All take a series as shape (n,) float64 without NaN, oldest first, in any unit, and give columns of
the same shape. A chart assumes that neighbouring values are independent: daily figures are, values
a second apart are not, and give many more false signals than the tables say.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Column = NDArray[np.float64]
Counts = NDArray[np.int64]
Flags = NDArray[np.bool_]

D2 = 1.128
"""Mean range of two values in sigma, as tabled (NIST e-Handbook 6.3.2, second hand)."""
D4 = 3.267
"""Upper limit of a moving range over its mean, n = 2 (usual tables, second hand)."""
MEDIAN_D = 0.954
"""Median range of two values in sigma (exact 0.953873; JMP's help, second hand)."""
NELSON = 3.5
"""A moving range beyond 3.5 x the mean is left out of the mean (Nelson 1982, second hand)."""


class Individuals(NamedTuple):
    """Individuals and moving range chart; `sigma` comes from the ranges, not from the spread."""

    mean: float
    mr_mean: float
    sigma: float
    low: float
    high: float
    mr_high: float
    out: Flags  # (n,) beyond a limit


def individuals(x: Column, *, trimmed: bool = False, median: bool = False) -> Individuals:
    """Limits at three sigma of a series of single values.

    Parameters
    ----------
    trimmed : bool
        Leave moving ranges beyond NELSON x their mean out of the mean, once.
    median : bool
        Take sigma from the median moving range, which one step of the level cannot spoil.

    Raises ValueError for fewer than two values.
    Source: NIST/SEMATECH e-Handbook 6.3.2.2 (second hand).
    """
    _enough(x, 2)
    ranges = np.abs(np.diff(x))
    mr_mean = float(np.mean(ranges))
    if trimmed:
        mr_mean = float(np.mean(ranges[ranges <= NELSON * mr_mean]))
    sigma = float(np.median(ranges)) / MEDIAN_D if median else mr_mean / D2
    mean = float(np.mean(x))
    low, high = mean - 3.0 * sigma, mean + 3.0 * sigma
    return Individuals(mean, mr_mean, sigma, low, high, D4 * mr_mean, (x < low) | (x > high))


class Ewma(NamedTuple):
    """Exponentially weighted means; `value[i]` includes x[i]."""

    value: Column
    low: Column
    high: Column
    out: Flags


def ewma(
    x: Column, target: float, sigma: float, weight: float, width: float, *, exact: bool = True
) -> Ewma:
    """EWMA chart.

    Parameters
    ----------
    weight : float
        Weight of the newest value, above 0 and up to 1.
    width : float
        Half width of the limits in sigma of the EWMA.
    exact : bool
        Limits that widen from the first value on; else the final ones from the start.

    Source: NIST/SEMATECH e-Handbook 6.3.2.4 (second hand).
    """
    if not 0.0 < weight <= 1.0 or sigma <= 0.0:
        raise ValueError("the weight lies above 0 and up to 1, sigma above 0")
    value, level = np.empty(len(x)), target
    for i, one in enumerate(x.tolist()):
        level = weight * one + (1.0 - weight) * level
        value[i] = level
    share = np.full(len(x), weight / (2.0 - weight))
    if exact:
        share *= 1.0 - (1.0 - weight) ** (2.0 * np.arange(1, len(x) + 1))
    reach = width * sigma * np.sqrt(share)
    return Ewma(value, target - reach, target + reach, np.abs(value - target) > reach)


class Cusum(NamedTuple):
    """Tabular CUSUM; `n_high[i]` counts how many values in a row the high sum has been above 0.

    A signal at i on the high side therefore means: the shift began after value i - n_high[i].
    """

    high: Column
    low: Column
    n_high: Counts
    n_low: Counts
    out: Flags

    def first_signal(self) -> int | None:
        """Index of the first value at which a sum is beyond its limit."""
        found = np.flatnonzero(self.out)
        return int(found[0]) if len(found) else None


def cusum(x: Column, target: float, slack: float, limit: float) -> Cusum:
    """Two one-sided sums of deviations beyond `slack`; a signal where one exceeds `limit`.

    Usual: slack 0.5 sigma, limit 4 to 5 sigma, all in the unit of x.
    Sources: NIST/SEMATECH e-Handbook 6.3.2.3 (second hand); counter: Montgomery (from memory).
    """
    if slack < 0.0 or limit <= 0.0:
        raise ValueError("the slack is at least 0, the limit above 0")
    high, low = np.empty(len(x)), np.empty(len(x))
    n_high, n_low = np.zeros(len(x), np.int64), np.zeros(len(x), np.int64)
    up = down = 0.0
    runs_up = runs_down = 0
    for i, one in enumerate(x.tolist()):
        up = max(0.0, up + one - target - slack)
        down = max(0.0, down + target - slack - one)
        runs_up = runs_up + 1 if up > 0.0 else 0
        runs_down = runs_down + 1 if down > 0.0 else 0
        high[i], low[i], n_high[i], n_low[i] = up, down, runs_up, runs_down
    return Cusum(high, low, n_high, n_low, (high > limit) | (low > limit))


def _enough(x: Column, least: int) -> None:
    if len(x) < least:
        raise ValueError(f"at least {least} values are needed, not {len(x)}")
