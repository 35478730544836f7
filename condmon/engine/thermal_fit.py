"""Fitting the thermal model of a bearing to weeks of minutes, or saying why not. Pure.

Given exponent and lags the model is linear in gain, offset and share of the supply, so those are
solved for and only exponent and lags are searched: on a grid first, because a descent from a bad
start can end in a false minimum (a lag far below a minute), then by damped Gauss-Newton steps.
Single odd minutes count less (Huber). The covariance is that of Gauss-Newton, widened by how long
the residuals stay alike, because a thousand minutes of one afternoon are not a thousand findings.
"""

import math
from typing import NamedTuple

import numpy as np

from condmon.engine.records import F64, Flags
from condmon.engine.thermal import EXPONENT_MAX, EXPONENT_MIN, BearingModel
from condmon.engine.thermal_lags import History, Prepared, heat_at, lagged, prepare

KNOWN_MIN_H = 10.0
TURNING_MIN_H = 4.0
RISE_MIN_K = 4.0
TAU_LOW_S, TAU_HIGH_S = 120.0, 6 * 3600.0
"""A lag below two minutes cannot be told from none, one beyond six hours not from a drift."""
EXPONENT_SE_MAX = 0.12
GAIN_SE_MAX = 0.06
TAU_SE_MAX = 0.25
SIGMA_MAX_K = 1.5
UNEXPLAINED_MAX = 0.35
ALIKE_MIN = 8.0
"""At least so many independent findings have to be among the minutes."""
SECOND_LAG_GAIN = 0.8
DRIFT_GAIN = 0.9
KNOT_DAYS = 4
STEPS_MAX = 40
LAG_MAX_MIN = 720


class FitRefused(ValueError):  # noqa: N818 - it is an answer, not a fault
    """A history gives no model; the text says why and what would help."""


class Point(NamedTuple):
    """What is searched: exponent and lags."""

    exponent: float
    tau_s: float
    tau_off_s: float
    slow_tau_s: float  # 0: one lag


class Solved(NamedTuple):
    """The linear part at a point; `design` (n, k) and `rest` (n,) on the rows in use."""

    names: tuple[str, ...]
    value: F64
    design: F64
    rest: F64
    cost: float


class Problem:
    """One bearing's history, ready to be fitted at any point."""

    def __init__(self, raw: History) -> None:
        self.prepared: Prepared = prepare(raw)
        h = self.prepared.history
        turning = h.speed[h.speed > 0]
        self.speed_ref = round(float(np.quantile(turning, 0.9)), -2) if len(turning) else 1.0
        self.speed_ref = max(self.speed_ref, 100.0)
        self.both = not (np.isnan(h.room_c).all() or np.isnan(h.supply_c).all())
        self.base = h.supply_c if np.isnan(h.room_c).all() else h.room_c
        self.rows: Flags = self.prepared.ready & ~np.isnan(h.temp_c) & ~self.prepared.start
        self.weight: F64 = np.ones(int(self.rows.sum()))
        self.knots = 1  # more: the gain may drift, straight from knot to knot
        self.fixed_share: float | None = None if self.both else float(np.isnan(h.room_c).all())

    def lags(self, at: Point) -> F64:
        """Lag of each minute."""
        return np.where(self.prepared.off, at.tau_off_s, at.tau_s)

    def columns(self, at: Point) -> tuple[tuple[str, ...], F64, F64]:
        """Names, columns (n, k) of the linear part and the measured rest (n,), every minute."""
        p, h = self.prepared, self.prepared.history
        heat = heat_at(h.heats, at.exponent, self.speed_ref)
        n = len(heat)
        base = self.base
        if self.fixed_share and self.both:
            base = np.where(p.off, h.room_c, h.supply_c)
        parts = {"base": base, "offset_k": np.ones(n)}
        for knot, hat in enumerate(self._hats(n)):
            parts[f"gain_{knot}"] = heat * hat
        if self.fixed_share is None:
            parts["supply_share"] = np.where(p.off, 0.0, h.supply_c - h.room_c)
        forcing = np.stack(list(parts.values()), axis=1)
        begin = np.zeros_like(forcing)
        begin[:, 0] = h.temp_c
        out = lagged(forcing, self.lags(at), p.ready, p.start, begin)
        names = list(parts)[1:]
        if at.slow_tau_s:
            slow = np.full(n, at.slow_tau_s)
            late = lagged(heat[:, None], slow, p.ready, p.start, np.zeros((n, 1)))
            out, names = np.concatenate([out, late], axis=1), [*names, "slow_k"]
        return tuple(names), out[:, 1:], h.temp_c - out[:, 0]

    def _hats(self, n: int) -> list[F64]:
        """How much each knot of the gain counts at each minute; they add up to 1."""
        if self.knots == 1:
            return [np.ones(n)]
        place = np.arange(n) * (self.knots - 1) / (n - 1)
        return [np.maximum(0.0, 1.0 - np.abs(place - knot)) for knot in range(self.knots)]

    def solve(self, at: Point) -> Solved:
        """Best linear part at a point."""
        names, columns, goal = self.columns(at)
        design, y = columns[self.rows], goal[self.rows]
        root: F64 = np.sqrt(self.weight)
        found, *_ = np.linalg.lstsq(design * root[:, None], y * root, rcond=1e-10)
        value: F64 = found.astype(np.float64)
        rest = y - np.einsum("ij,j->i", design, value)
        return Solved(names, value, design, rest, float(np.sum(self.weight * rest * rest)))

    def reweight(self, rest: F64) -> None:
        """Let minutes far off count less."""
        scale = 1.4826 * float(np.median(np.abs(rest))) + 1e-6
        self.weight = np.minimum(1.0, 1.5 * scale / np.maximum(np.abs(rest), 1e-12))


def fit(raw: History) -> BearingModel:
    """The model of a bearing. Raises FitRefused with the reason in words."""
    if not len(raw.minute):
        raise FitRefused("there is no history at all")
    problem = Problem(raw)
    _look_at_history(problem)
    at, solved = _search(problem)
    for _ in range(2):
        problem.reweight(solved.rest)
        at, solved = _descend(problem, at)
    share = dict(zip(solved.names, solved.value.tolist(), strict=True)).get("supply_share")
    if share is not None and not 0.0 <= share <= 1.0:  # then one of the two explains it alone
        problem.fixed_share = 0.0 if share < 0.0 else 1.0
        at, solved = _descend(problem, at)
    at, solved = _second_lag(problem, at, solved)
    if len(problem.prepared.ready) / 1440 < KNOT_DAYS + 2:
        return _judged(problem, at, solved)
    return _steady_or_drifting(problem, at, solved)


def _steady_or_drifting(problem: Problem, at: Point, steady: Solved) -> BearingModel:
    """A bearing that changed bends exponent and lag of a steady fit: let its gain drift then."""
    problem.knots = 1 + round(len(problem.prepared.ready) / 1440 / KNOT_DAYS)
    drifting_at, drifting = _descend(problem, at)
    if drifting.cost < DRIFT_GAIN * steady.cost:
        return _judged(problem, drifting_at, drifting)
    problem.knots = 1
    try:
        return _judged(problem, at, steady)
    except FitRefused:
        problem.knots = 1 + round(len(problem.prepared.ready) / 1440 / KNOT_DAYS)
        return _judged(problem, drifting_at, drifting)


def _look_at_history(problem: Problem) -> None:
    h, known = problem.prepared.history, problem.rows
    if np.isnan(problem.base).all():
        raise FitRefused(
            "neither room nor coolant supply temperature is known: name one (role room_temperature)"
        )
    if known.sum() < KNOWN_MIN_H * 60:
        raise FitRefused(
            f"only {known.sum() / 60:.1f} h of temperature with speed and surroundings known; "
            f"{KNOWN_MIN_H:g} h are needed"
        )
    if (known & (h.speed > 50.0)).sum() < TURNING_MIN_H * 60:
        raise FitRefused(f"the spindle turned for less than {TURNING_MIN_H:g} h")
    excess = (h.temp_c - problem.base)[known]
    low, high = np.quantile(excess, [0.02, 0.98])
    if high - low < RISE_MIN_K:
        raise FitRefused(
            f"too little excitation: the bearing moved by {high - low:.1f} K over its "
            f"surroundings, {RISE_MIN_K:g} K are needed; a run at two or three speeds would help"
        )


def _search(problem: Problem) -> tuple[Point, Solved]:
    """The best of a grid, then downhill."""
    best: tuple[float, Point] | None = None
    for tau in np.geomspace(TAU_LOW_S, TAU_HIGH_S, 14).tolist():
        for exponent in (1.0, 1.2, 1.4, 1.6):
            at = Point(exponent, tau, 2.0 * tau, 0.0)
            cost = problem.solve(at).cost
            if best is None or cost < best[0]:
                best = cost, at
    assert best is not None
    return _descend(problem, best[1])


def _names(problem: Problem, at: Point) -> list[str]:
    out = ["exponent", "tau_s"]
    if problem.prepared.off_known:
        out.append("tau_off_s")
    return [*out, "slow_tau_s"] if at.slow_tau_s else out


def _moved(at: Point, names: list[str], steps: list[float]) -> Point:
    """A point after steps: of the exponent itself, of the logarithm of each lag."""
    new = dict(zip(at._fields, at, strict=True))
    for name, step in zip(names, steps, strict=True):
        if name == "exponent":
            new[name] = min(max(new[name] + step, EXPONENT_MIN), EXPONENT_MAX)
        else:
            new[name] = min(max(new[name] * math.exp(min(max(step, -1.0), 1.0)), 30.0), 200_000.0)
    return Point(**new)


def _slopes(problem: Problem, at: Point, names: list[str], solved: Solved) -> F64:
    """Columns: how the fitted temperature moves with each searched parameter."""
    out = []
    for i, name in enumerate(names):
        small = 1e-3 if at.exponent < EXPONENT_MAX - 1e-3 or name != "exponent" else -1e-3
        steps = [small if j == i else 0.0 for j in range(len(names))]
        near, columns, goal = problem.columns(_moved(at, names, steps))
        assert near == solved.names
        there = goal[problem.rows] - np.einsum("ij,j->i", columns[problem.rows], solved.value)
        out.append((solved.rest - there) / small)
    return np.stack(out, axis=1)


def _descend(problem: Problem, at: Point) -> tuple[Point, Solved]:
    """Damped Gauss-Newton on exponent and lags, the linear part solved at every point."""
    names = _names(problem, at)
    solved, damping = problem.solve(at), 1e-3
    for _ in range(STEPS_MAX):
        slopes = np.concatenate([_slopes(problem, at, names, solved), solved.design], axis=1)
        normal = np.einsum("ij,i,ik->jk", slopes, problem.weight, slopes, optimize=True)
        pull = np.einsum("ij,i->j", slopes, problem.weight * solved.rest)
        while True:
            damped = normal + np.diag(np.diag(normal)) * damping
            step, *_ = np.linalg.lstsq(damped, pull, rcond=1e-14)
            new = _moved(at, names, step[: len(names)].tolist())
            tried = problem.solve(new)
            if tried.cost < solved.cost or damping > 1e3:
                break
            damping *= 8.0
        gained = solved.cost - tried.cost
        if gained <= 0.0:
            break
        at, solved, damping = new, tried, max(damping / 8.0, 1e-6)
        if gained < 1e-7 * solved.cost:
            break
    return at, solved


def _second_lag(problem: Problem, at: Point, one: Solved) -> tuple[Point, Solved]:
    """Two lags where the history clearly asks for them, else the one."""
    try:
        two_at, two = _descend(problem, at._replace(slow_tau_s=min(5.0 * at.tau_s, TAU_HIGH_S)))
    except np.linalg.LinAlgError:
        return at, one
    value = dict(zip(two.names, two.value.tolist(), strict=True))
    share = value["slow_k"] / (value["gain_0"] + value["slow_k"])
    sound = 0.05 < share < 0.7 and two_at.slow_tau_s > 2.0 * two_at.tau_s
    sound = sound and two_at.slow_tau_s < 4 * TAU_HIGH_S and value["gain_0"] > 0
    return (two_at, two) if sound and two.cost < SECOND_LAG_GAIN * one.cost else (at, one)


def _judged(problem: Problem, at: Point, solved: Solved) -> BearingModel:
    """The model, if what was found is good enough."""
    names = _names(problem, at)
    if not TAU_LOW_S * 1.05 < at.tau_s < TAU_HIGH_S * 0.95:
        raise FitRefused(
            f"a false minimum: the lag came out at {at.tau_s / 60:.1f} min, which cannot be told "
            "apart from none or from a drift; look whether speed and temperature belong together"
        )
    rows = problem.rows
    spread = float(np.sqrt(np.sum(problem.weight * solved.rest**2) / max(len(solved.rest) - 6, 1)))
    full = np.full(len(rows), np.nan)
    full[rows] = solved.rest
    alike = alike_minutes(full)
    slopes = np.concatenate([_slopes(problem, at, names, solved), solved.design], axis=1)
    normal = np.einsum("ij,i,ik->jk", slopes, problem.weight, slopes, optimize=True)
    covariance = _inverse(normal) * spread * spread * alike
    return _made(problem, at, solved, [*names, *solved.names], covariance, spread, alike)


def _inverse(normal: F64) -> F64:
    scale = np.sqrt(np.diag(normal))
    if not (scale > 0).all():
        raise FitRefused("infinite covariance: one of the parameters leaves no trace in the data")
    even = normal / scale[:, None] / scale[None, :]
    if np.linalg.cond(even) > 1e10:
        raise FitRefused(
            "infinite covariance: two causes always moved together, so neither can be told"
        )
    out: F64 = np.linalg.inv(even) / scale[:, None] / scale[None, :]
    return out


def _made(
    problem: Problem,
    at: Point,
    solved: Solved,
    names: list[str],
    covariance: F64,
    spread: float,
    alike: float,
) -> BearingModel:
    value = dict(zip(solved.names, solved.value.tolist(), strict=True))
    knots = [name for name in solved.names if name.startswith("gain_")]
    slow = value.get("slow_k", 0.0)
    gain = math.fsum(value[name] for name in knots) / len(knots) + slow
    kept, rows = _kept(at, names, knots, covariance)
    se = {name: math.sqrt(max(rows[i][i], 0.0)) for i, name in enumerate(kept)}
    _good_enough(problem, solved, gain, se, spread, alike)
    if se["tau_s"] > TAU_SE_MAX * at.tau_s:
        raise FitRefused(
            "too little excitation: the lag cannot be told; more starts and stops would help"
        )
    share = problem.fixed_share if problem.fixed_share is not None else value["supply_share"]
    return BearingModel(
        gain, problem.speed_ref, at.exponent, at.tau_s, share, value["offset_k"], spread,
        at.tau_off_s if problem.prepared.off_known else None,
        slow / gain if slow else 0.0, at.slow_tau_s if slow else 0.0, kept, rows,
    )  # fmt: skip


def _kept(
    at: Point, names: list[str], knots: list[str], covariance: F64
) -> tuple[tuple[str, ...], tuple[tuple[float, ...], ...]]:
    """Names and covariance of the model's own parameters, from those that were fitted."""
    kept = ["gain_k", *(name for name in names if name not in {*knots, "slow_k"})]
    weight = np.zeros((len(kept), len(names)))
    for j, name in enumerate(names):
        if name in knots:
            weight[0, j] = 1.0 / len(knots)
        elif name == "slow_k":
            weight[0, j] = 1.0
        else:  # lags were searched by their logarithm
            weight[kept.index(name), j] = getattr(at, name) if name.endswith("_s") else 1.0
    whole = np.einsum("ai,ij,bj->ab", weight, covariance, weight)
    return tuple(kept), tuple(tuple(row) for row in whole.tolist())


def _good_enough(
    problem: Problem,
    solved: Solved,
    gain: float,
    se: dict[str, float],
    spread: float,
    alike: float,
) -> None:
    """Raise FitRefused unless the model explains the history and is sure enough of itself."""
    temp = problem.prepared.history.temp_c[problem.rows] - problem.base[problem.rows]
    if gain <= 0.0:
        raise FitRefused("the bearing does not grow warmer with speed: is it the right spindle?")
    if spread > SIGMA_MAX_K or spread > UNEXPLAINED_MAX * float(np.std(temp)):
        raise FitRefused(
            f"speed and surroundings leave {spread:.1f} K unexplained: another cause is at work"
        )
    if len(solved.rest) / alike < ALIKE_MIN:
        raise FitRefused(
            f"the residuals stay alike for {alike / 60:.0f} h, so the history holds only "
            f"{len(solved.rest) / alike:.0f} independent findings: something else moves the bearing"
        )
    if se["exponent"] > EXPONENT_SE_MAX:
        raise FitRefused(
            f"too little excitation: the exponent is only known to +-{2 * se['exponent']:.2f}; "
            "the spindle ran at too few different speeds"
        )
    if se["gain_k"] > GAIN_SE_MAX * gain:
        raise FitRefused(
            f"too little excitation: the heat gain is only known to +-{2 * se['gain_k']:.1f} K; "
            "a longer history would help"
        )


def alike_minutes(rest: F64) -> float:
    """For how many minutes residuals stay alike: one plus twice the sum of autocorrelations.

    Takes every minute of the span, NaN where there is none.
    """
    known = ~np.isnan(rest)
    x = np.where(known, rest - float(np.mean(rest[known])), 0.0)
    flat = float(np.sum(x * x) / known.sum())
    if flat <= 0.0:
        return 1.0
    total, before = 1.0, 0
    for lag in [*range(1, 30), *range(30, LAG_MAX_MIN, 10)]:
        if lag >= len(x):
            break
        pairs = int(np.sum(known[lag:] & known[:-lag]))
        if not pairs:
            break
        alike = float(np.sum(x[lag:] * x[:-lag])) / pairs / flat
        if alike < 0.05:
            break
        total += 2.0 * alike * (lag - before)
        before = lag
    return total
