"""First-order response: warming and cooling, asymptotes, the exponential fit and its trap. Pure.

T(t) = final + (start - final) exp(-t / tau). Times in any one unit, values in any other.
"""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Column = NDArray[np.float64]
STEPS_MAX = 500
GRID = 60
SHOWN_MIN = 0.05
"""Points that show less than a twentieth of a rise say nothing about where it ends."""


class FitError(ValueError):
    """No first-order response can be told from these points; the text says why."""


def response(t: Column, start: float, final: float, tau: float) -> Column:
    """Values at times since a step, shape (n,)."""
    out: Column = final + (start - final) * np.exp(-t / tau)
    return out


class Asymptote(NamedTuple):
    """Where three readings lead, and how fast, in intervals between them."""

    final: float
    tau: float


def asymptote(first: float, second: float, third: float, interval: float = 1.0) -> Asymptote:
    """The asymptote of three readings at equal intervals.

    Raises FitError where they lie on a straight line or do not approach anything.
    Source of the check value: a worked cooling problem (second hand).
    """
    bend = first + third - 2.0 * second
    spread = max(abs(second - first), abs(third - second))
    if abs(bend) <= 1e-9 * max(spread, 1e-300):
        raise FitError("three readings on a straight line lead to no asymptote")
    ratio = (third - second) / (second - first) if second != first else math.inf
    if not 0.0 < ratio < 1.0:
        raise FitError("the readings do not approach anything")
    return Asymptote((first * third - second * second) / bend, -interval / math.log(ratio))


class Exponential(NamedTuple):
    """y = rise (1 - exp(-rate x)), with standard errors from the Gauss-Newton covariance."""

    rise: float
    rate: float
    rise_se: float
    rate_se: float
    rss: float
    restarted: bool  # the start led into a false minimum

    @property
    def tau(self) -> float:
        """Time constant in units of x."""
        return 1.0 / self.rate

    @property
    def tau_se(self) -> float:
        """Standard error of the time constant, to first order."""
        return self.rate_se / (self.rate * self.rate)


def fit_exponential(x: Column, y: Column, start: tuple[float, float] | None = None) -> Exponential:
    """Least squares of a rise from zero; x above 0, shape (n,), n of at least 3.

    From a bad start the descent can run to a rate so high that every point is already at the
    asymptote: the residual no longer depends on the rate, the covariance is infinite and tau lies
    far below the first x. That is told from the result, and the fit begins again from a grid of
    rates. Source of the check values: NIST StRD Misra1a, BoxBOD (second hand).

    Raises FitError where no start gives a finite covariance: a flat or a straight series.
    """
    if len(x) < 3:
        raise FitError("at least three points are needed")
    if start is not None:
        found = descend(x, y, start)
        if is_sound(x, found):
            return found
    rates = np.geomspace(0.01 / float(np.max(x)), 10.0 / float(np.min(x[x > 0])), GRID)
    best = min(rates.tolist(), key=lambda rate: _rss(x, y, _rise(x, y, rate), rate))
    found = descend(x, y, (_rise(x, y, best), best))
    if not is_sound(x, found):
        raise FitError("the points do not show where the rise ends or how fast it goes")
    return found._replace(restarted=start is not None)


def is_sound(x: Column, found: Exponential) -> bool:
    """Whether a result is a minimum that the points really determine."""
    errors = math.isfinite(found.rise_se) and math.isfinite(found.rate_se)
    shown = found.rate * float(np.max(x))  # time constants that the points reach
    within = shown > SHOWN_MIN and found.tau > 0.2 * float(np.min(x[x > 0]))
    return errors and within and found.rate_se < found.rate


def descend(x: Column, y: Column, start: tuple[float, float]) -> Exponential:
    """Levenberg-Marquardt from a start, wherever it leads."""
    rise, rate = start
    rss, damping = _rss(x, y, rise, rate), 1e-3
    for _ in range(STEPS_MAX):
        a11, a12, a22, g1, g2 = _normal(x, y, rise, rate)
        d11, d22 = a11 * (1 + damping), a22 * (1 + damping)
        below = d11 * d22 - a12 * a12
        if not math.isfinite(below) or a11 <= 0.0:
            break
        if below > 0.0:
            step1, step2 = (d22 * g1 - a12 * g2) / below, (d11 * g2 - a12 * g1) / below
        else:  # the rate no longer matters at all
            step1, step2 = g1 / d11, 0.0
        tried = _rss(x, y, rise + step1, rate + step2)
        if tried <= rss:
            rise, rate, damping = rise + step1, rate + step2, damping / 10
            still = abs(step1) <= 1e-13 * abs(rise) and abs(step2) <= 1e-13 * abs(rate)
            rss = tried
            if still:
                break
        else:
            damping *= 10
            if damping > 1e15:
                break
    return _with_errors(x, y, rise, rate, rss)


def _with_errors(x: Column, y: Column, rise: float, rate: float, rss: float) -> Exponential:
    a11, a12, a22, _, _ = _normal(x, y, rise, rate)
    below, free = a11 * a22 - a12 * a12, len(x) - 2
    if below <= 1e-14 * a11 * a22 or free < 1:
        return Exponential(rise, rate, math.inf, math.inf, rss, False)
    spread = rss / free
    rise_se, rate_se = math.sqrt(spread * a22 / below), math.sqrt(spread * a11 / below)
    return Exponential(rise, rate, rise_se, rate_se, rss, False)


def _normal(
    x: Column, y: Column, rise: float, rate: float
) -> tuple[float, float, float, float, float]:
    """Sums of the normal equations: Jacobian products, then its product with the residual."""
    with np.errstate(over="ignore", invalid="ignore"):
        decay = np.exp(-rate * x)
        by_rise, by_rate = 1.0 - decay, rise * x * decay
        rest = y - rise * (1.0 - decay)
        pairs = (
            by_rise * by_rise,
            by_rise * by_rate,
            by_rate * by_rate,
            by_rise * rest,
            by_rate * rest,
        )
        a, b, c, d, e = (float(np.sum(pair)) for pair in pairs)
    return a, b, c, d, e


def _rss(x: Column, y: Column, rise: float, rate: float) -> float:
    with np.errstate(over="ignore", invalid="ignore"):
        rest = y - rise * (1.0 - np.exp(-rate * x))
        total = float(np.sum(rest * rest))
    return total if math.isfinite(total) else math.inf


def _rise(x: Column, y: Column, rate: float) -> float:
    """The best asymptote for a rate: the model is linear in it."""
    shape = 1.0 - np.exp(-rate * x)
    return float(np.sum(shape * y) / np.sum(shape * shape))
