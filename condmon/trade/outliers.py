"""Outliers: Grubbs' test, generalised ESD, modified z. Pure.

All take shape (n,) float64 without NaN, in any unit and order. "Three sigma" is no test for short
series: among n values the largest possible |z| is (n - 1) / sqrt(n), below 3 for n <= 10.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from condmon.trade.quantiles import t_quantile

Column = NDArray[np.float64]
MODIFIED_Z_MAX = 3.5
"""The usual label for an outlier (Iglewicz and Hoaglin, via NIST e-Handbook 1.3.5.17)."""


class Grubbs(NamedTuple):
    """The value farthest from the mean and whether it belongs to the others."""

    g: float
    critical: float
    place: int
    outlier: bool


def grubbs(x: Column, alpha: float = 0.05, *, side: str = "both") -> Grubbs:
    """Grubbs' test for one outlier; `side` is both, high or low.

    Raises ValueError for fewer than three values or no scatter at all.
    Source: NIST/SEMATECH e-Handbook 1.3.5.17.1 (second hand).
    """
    if side not in {"both", "high", "low"}:
        raise ValueError("side is both, high or low")
    n, sd = len(x), _scatter(x, 3)
    away = {"both": np.abs(x - np.mean(x)), "high": x - np.mean(x), "low": np.mean(x) - x}[side]
    place = int(np.argmax(away))
    share = alpha / (2.0 * n if side == "both" else n)
    critical = _critical(n, share)
    g = float(away[place]) / sd
    return Grubbs(g, critical, place, g > critical)


class Esd(NamedTuple):
    """Generalised ESD: `outliers` are indices, the farthest first."""

    outliers: list[int]
    r: list[float]
    critical: list[float]


def generalised_esd(x: Column, most: int, alpha: float = 0.05) -> Esd:
    """Rosner's test for up to `most` outliers, which does not let them hide one another.

    Raises ValueError where fewer than three values would remain.
    Source: NIST/SEMATECH e-Handbook 1.3.5.17.3, Rosner 1983 (second hand).
    """
    n = len(x)
    if most < 1 or n - most < 3:
        raise ValueError("at least three values have to remain")
    left = list(range(n))
    removed: list[int] = []
    r: list[float] = []
    critical: list[float] = []
    for i in range(most):
        rest = x[left]
        sd = float(np.std(rest, ddof=1))
        away = np.abs(rest - np.mean(rest))
        worst = int(np.argmax(away))
        r.append(float(away[worst]) / sd if sd > 0 else 0.0)
        critical.append(_critical(n - i, alpha / (2.0 * (n - i))))
        removed.append(left.pop(worst))
    count = max((i + 1 for i in range(most) if r[i] > critical[i]), default=0)
    return Esd(removed[:count], r, critical)


def modified_z(x: Column) -> Column:
    """0.6745 (x - median) / MAD, shape (n,); inf beside a MAD of 0, 0 at the median itself."""
    away = x - np.median(x)
    mad = float(np.median(np.abs(away)))
    if mad == 0.0:
        return np.where(away == 0.0, 0.0, np.copysign(np.inf, away))
    out: Column = 0.6745 * away / mad
    return out


def _critical(n: int, share: float) -> float:
    """How far the farthest of n values may be, in standard deviations."""
    t = t_quantile(1.0 - share, n - 2)
    return (n - 1) * t / math.sqrt(n * (n - 2 + t * t))


def _scatter(x: Column, least: int) -> float:
    if len(x) < least:
        raise ValueError(f"at least {least} values are needed, not {len(x)}")
    sd = float(np.std(x, ddof=1))
    if sd == 0.0:
        raise ValueError("the values do not scatter at all")
    return sd
