"""Lagged columns for fitting: a history of minutes, and its forcing seen through a lag. Pure.

The whole history goes through at once (`Runner` in thermal.py does the same minute by minute); a
fit is no stream, so the order of adding may differ here.
"""

from typing import NamedTuple

import numpy as np

from condmon.engine.records import F64, I64, Flags
from condmon.engine.thermal import HELD_MAX_MIN

EXPONENTS = (1.0, 1.35, 1.7)
"""A minute's mean of n^b is kept at these b; between them its logarithm is bent by a parabola."""
SPEED_UNIT = 10_000.0
SPAN_MAX_MIN = 120 * 1440
"""Longer histories are cut at their old end."""


class History(NamedTuple):
    """Minutes of one bearing, all (n,), NaN where unknown; `heats` (n, 3): mean (n/10,000)^b."""

    minute: I64
    temp_c: F64
    room_c: F64
    supply_c: F64
    speed: F64  # mean of |n|
    off: F64  # share of the minute without power
    heats: F64


class Prepared(NamedTuple):
    """The same on every minute of the span, with short silences filled."""

    history: History
    off: Flags
    ready: Flags  # inputs known and the state known from a start before
    start: Flags  # the state begins at the measured temperature here
    off_known: bool  # temperatures with the machine off are there to fit a lag to


def prepare(raw: History) -> Prepared:
    """Every minute of the span, NaN where nothing was watched; see Prepared."""
    spread = _spread(raw)
    off = spread.off > 0.5
    heats = np.where(off[:, None], 0.0, _held(spread.heats, HELD_MAX_MIN))
    speed = np.where(off, 0.0, _held(spread.speed, HELD_MAX_MIN))
    room, supply = (_held(column, HELD_MAX_MIN) for column in (spread.room_c, spread.supply_c))
    history = spread._replace(heats=heats, speed=speed, room_c=room, supply_c=supply)
    around_known = ~np.isnan(room) if _any(room) else ~np.isnan(supply)
    if _any(supply):
        around_known &= ~np.isnan(supply) | off
    off_known = int(np.sum(off & ~np.isnan(spread.temp_c) & around_known)) >= 120
    known = around_known & ~np.isnan(heats[:, 0]) & (~off | off_known)
    return Prepared(history, off, *_started(known, ~np.isnan(spread.temp_c)), off_known)


def _any(column: F64) -> bool:
    return not bool(np.isnan(column).all())


def _started(known: Flags, measured: Flags) -> tuple[Flags, Flags]:
    """Rows with a state, and where each state begins: at the first measured row of a stretch."""
    ready, start = np.zeros(len(known), bool), np.zeros(len(known), bool)
    edges = np.flatnonzero(np.diff(known.astype(np.int8))) + 1
    for a, b in zip([0, *edges.tolist()], [*edges.tolist(), len(known)], strict=True):
        if known[a] and measured[a:b].any():
            first = a + int(np.argmax(measured[a:b]))
            ready[first:b], start[first] = True, True
    return ready, start


def _spread(raw: History) -> History:
    last = int(raw.minute[-1])
    first = max(int(raw.minute[0]), last - SPAN_MAX_MIN + 1)
    keep = raw.minute >= first
    n = last - first + 1
    place = raw.minute[keep] - first
    out = []
    for column in raw[1:]:
        wide = np.full((n, *column.shape[1:]), np.nan)
        wide[place] = column[keep]
        out.append(wide)
    return History(np.arange(first, last + 1, dtype=np.int64), *out)


def _held(column: F64, most: int) -> F64:
    """Carry the last known row on for up to `most` rows."""
    known = ~np.isnan(column if column.ndim == 1 else column[:, 0])
    rows = np.arange(len(column))
    last = np.maximum.accumulate(np.where(known, rows, -1))
    near = (last >= 0) & (rows - last <= most)
    out: F64 = np.where(near if column.ndim == 1 else near[:, None], column[last], np.nan)
    return out


def heat_at(heats: F64, exponent: float, speed_ref: float) -> F64:
    """Mean of (n / speed_ref)^exponent of each minute, from the three that were kept."""
    b0, b1, b2 = EXPONENTS
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(heats)
        weights = (
            (exponent - b1) * (exponent - b2) / ((b0 - b1) * (b0 - b2)),
            (exponent - b0) * (exponent - b2) / ((b1 - b0) * (b1 - b2)),
            (exponent - b0) * (exponent - b1) / ((b2 - b0) * (b2 - b1)),
        )
        bent = logs[:, 0] * weights[0] + logs[:, 1] * weights[1] + logs[:, 2] * weights[2]
        out: F64 = np.exp(bent) * (SPEED_UNIT / speed_ref) ** exponent
    out[heats[:, 0] <= 0.0] = 0.0
    out[np.isnan(heats[:, 0])] = np.nan
    return out


def lagged(forcing: F64, tau_s: F64, ready: Flags, start: Flags, begin: F64) -> F64:
    """Minute means of first-order lags, shape (n, k), NaN where there is no state.

    Parameters
    ----------
    forcing : (n, k)
        What each column follows.
    tau_s : (n,)
        Lag of each minute.
    ready, start : (n,)
        Rows with a state; rows at which it is set to `begin` (n, k).
    """
    left = np.exp(-60.0 / tau_s)
    share = tau_s / 60.0 * (1.0 - left)
    goal = np.where(ready[:, None], forcing, 0.0)
    factor = np.where(ready, left, 0.0)
    # state at the start of row i: factor[i-1] * state[i-1] + (1 - left[i-1]) * goal[i-1]
    a = np.concatenate([[0.0], factor[:-1]])
    b = np.concatenate([np.zeros((1, goal.shape[1])), ((1.0 - left)[:, None] * goal)[:-1]])
    a[start], b[start] = 0.0, begin[start]
    step = 1
    while step < len(a) and float(a.max()) > 1e-14:  # affine maps joined in pairs, then fours ...
        b[step:] += a[step:, None] * b[:-step]
        a[step:] *= a[:-step].copy()
        step *= 2
    out: F64 = goal * (1.0 - share)[:, None] + b * share[:, None]
    out[~ready] = np.nan
    return out
