"""Normal, t and chi-square distributions, as far as charts and intervals need them. Pure.

Incomplete beta and gamma functions by continued fraction (modified Lentz) and series, as in any
textbook of numerical methods (from memory); quantiles by bisection to the last bit. Tested against
published tables and against scipy's values, which are not needed at run time.
"""

import math
from collections.abc import Callable

_TINY = 1e-300
_STEPS_MAX = 10_000


def normal_cdf(z: float) -> float:
    """P(Z <= z) of the standard normal distribution."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def normal_quantile(p: float) -> float:
    """The z with P(Z <= z) = p. Raises ValueError unless 0 < p < 1."""
    _between(p)
    return _solve(normal_cdf, p, -40.0, 40.0) if p <= 0.5 else -normal_quantile(1.0 - p)


def t_cdf(t: float, df: float) -> float:
    """P(T <= t) of Student's distribution with `df` degrees of freedom."""
    tail = 0.5 * beta_share(df / 2.0, 0.5, df / (df + t * t))
    return 1.0 - tail if t > 0 else tail


def t_quantile(p: float, df: float) -> float:
    """The t with P(T <= t) = p. Raises ValueError unless 0 < p < 1 and df > 0."""
    _between(p)
    if df <= 0:
        raise ValueError("at least one degree of freedom is needed")
    if p > 0.5:
        return -t_quantile(1.0 - p, df)
    return _solve(lambda t: t_cdf(t, df), p, -1e12, 0.0)


def chi2_cdf(x: float, df: float) -> float:
    """P(X <= x) of the chi-square distribution with `df` degrees of freedom."""
    return gamma_share(df / 2.0, x / 2.0) if x > 0 else 0.0


def chi2_quantile(p: float, df: float) -> float:
    """The x with P(X <= x) = p. Raises ValueError unless 0 < p < 1 and df > 0."""
    _between(p)
    if df <= 0:
        raise ValueError("at least one degree of freedom is needed")
    high = df + 10.0
    while chi2_cdf(high, df) < p:
        high *= 2.0
    return _solve(lambda x: chi2_cdf(x, df), p, 0.0, high)


def beta_share(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function I_x(a, b)."""
    if x <= 0.0 or x >= 1.0:
        return min(max(x, 0.0), 1.0)
    front = math.exp(
        math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x)
    )
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _beta_fraction(a, b, x) / a
    return 1.0 - front * _beta_fraction(b, a, 1.0 - x) / b


def gamma_share(a: float, x: float) -> float:
    """Regularised lower incomplete gamma function P(a, x)."""
    if x <= 0.0:
        return 0.0
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    if x < a + 1.0:
        term = total = 1.0 / a
        for n in range(1, _STEPS_MAX):
            term *= x / (a + n)
            total += term
            if term < total * 1e-17:
                break
        return front * total
    return 1.0 - front * _gamma_fraction(a, x)


def _beta_fraction(a: float, b: float, x: float) -> float:
    c, d = 1.0, 1.0 / _off_zero(1.0 - (a + b) * x / (a + 1.0))
    value = d
    for m in range(1, _STEPS_MAX):
        even = m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m))
        odd = -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1))
        change = 1.0
        for step in (even, odd):
            d = 1.0 / _off_zero(1.0 + step * d)
            c = _off_zero(1.0 + step / c)
            change = c * d
            value *= change
        if abs(change - 1.0) < 1e-16:
            break
    return value


def _gamma_fraction(a: float, x: float) -> float:
    b = x + 1.0 - a
    c, d = 1.0 / _TINY, 1.0 / _off_zero(b)
    value = d
    for n in range(1, _STEPS_MAX):
        step = -n * (n - a)
        b += 2.0
        d = 1.0 / _off_zero(step * d + b)
        c = _off_zero(b + step / c)
        change = c * d
        value *= change
        if abs(change - 1.0) < 1e-16:
            break
    return value


def _off_zero(value: float) -> float:
    return value if abs(value) > _TINY else _TINY


def _solve(rising: Callable[[float], float], p: float, low: float, high: float) -> float:
    """Where a rising function reaches p, between two places; to neighbouring floats."""
    while True:
        middle = low + (high - low) / 2.0
        if middle in {low, high}:
            return high
        if rising(middle) < p:
            low = middle
        else:
            high = middle


def _between(p: float) -> None:
    if not 0.0 < p < 1.0:
        raise ValueError(f"a share between 0 and 1 is needed, not {p}")
