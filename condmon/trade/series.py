"""A series of calibrations or measurements read as control charts, phase by phase. Pure.

A phase begins at the first value, at a confirmed step and at a new baseline; values of two phases
are never put into one mean. The first values of a phase set its limits and later ones are judged
by them, so that a slow drift cannot widen the limits it is judged by (common practice, no source).
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from condmon.trade.charts import Column, Flags, ewma, individuals

LEAST, BASE = 5, 10
"""Values of a phase that give limits at all, and the most that set them."""
CLEARLY = 4.0
"""Sigmas beyond which a value is a step and not the scatter of few values (common practice, no
source): it ends the base, and is worth a question."""
WEIGHT, WIDTH = 0.3, 3.0
"""Weight of the newest value and half width of the EWMA in sigma: NIST e-Handbook 6.3.2.4, second
hand; about 465 values from one false signal to the next (computed)."""


class Phase(NamedTuple):
    """Rows [start, stop) under one set of limits; `base` of them set the limits."""

    start: int
    stop: int
    base: int
    centre: float
    sigma: float
    low: float
    high: float
    mr_high: float


class Chart(NamedTuple):
    """The charts of a series; columns have shape (n,), NaN where a phase has no limits."""

    value: Column
    moved: Column  # moving range; NaN at the first value of a phase
    ewma: Column
    ewma_low: Column
    ewma_high: Column
    out: Flags  # beyond the limits of the individuals or of the moving range
    drift: Flags  # EWMA beyond its limits
    phases: tuple[Phase, ...]

    def phase_at(self, row: int) -> Phase | None:
        """The phase with limits that a row belongs to."""
        return next((p for p in self.phases if p.start <= row < p.stop), None)


class Step(NamedTuple):
    """A value beyond the limits of its phase, the first of its kind: from where to where."""

    row: int
    before: float
    value: float
    sigma: float

    @property
    def size(self) -> float:
        """How far it moved, with its sign."""
        return self.value - self.before


def chart_of(
    values: Sequence[float] | Column,
    begins: Sequence[int] = (),
    *,
    target: float | None = None,
    sigma: float | None = None,
    resolution: float = 0.0,
) -> Chart:
    """Charts of a series, oldest value first, in any unit.

    Parameters
    ----------
    begins : sequence of int
        Rows at which a phase begins, besides row 0; others are passed over.
    target, sigma : float | None
        Known ones; without them the first values of each phase tell.
    resolution : float
        What the gauge can show: sigma is taken to be at least half of it, because a coarse gauge
        that repeats one figure has not proved that nothing scatters.
    """
    x = np.asarray(values, np.float64)
    n = len(x)
    nan = np.full(n, np.nan)
    moved, level, low, high = nan.copy(), nan.copy(), nan.copy(), nan.copy()
    out, drift = np.zeros(n, bool), np.zeros(n, bool)
    phases = []
    edges = [0, *sorted({b for b in begins if 0 < b < n}), n]
    for start, stop in pairwise(edges):
        part = x[start:stop]
        moved[start + 1 : stop] = np.abs(np.diff(part))
        phase = _phase(part, start, target, sigma, resolution)
        if phase is None:
            continue
        phases.append(phase)
        out[start:stop] = (part < phase.low) | (part > phase.high)
        out[start + 1 : stop] |= moved[start + 1 : stop] > phase.mr_high
        smooth = ewma(part, phase.centre, phase.sigma, WEIGHT, WIDTH)
        level[start:stop], drift[start:stop] = smooth.value, smooth.out
        low[start:stop], high[start:stop] = smooth.low, smooth.high
    return Chart(x, moved, level, low, high, out, drift, tuple(phases))


def _phase(
    part: Column, start: int, target: float | None, sigma: float | None, resolution: float
) -> Phase | None:
    """Limits of one phase: from its first values up to the first that does not fit."""
    if len(part) < LEAST:
        return None
    base = LEAST
    while base < min(len(part), BASE):
        so_far = _limits(part[:base], target, sigma, resolution)
        if abs(part[base] - so_far[0]) > CLEARLY * so_far[1]:
            break
        base += 1
    found = _limits(part[:base], target, sigma, resolution)
    return None if found[1] <= 0.0 else Phase(start, start + len(part), base, *found)


def _limits(
    part: Column, target: float | None, sigma: float | None, resolution: float
) -> tuple[float, float, float, float, float]:
    """Centre, sigma, low, high, greatest moving range."""
    told = individuals(part)
    centre = told.mean if target is None else target
    spread = max(told.sigma if sigma is None else sigma, resolution / 2.0)
    scale = spread / told.sigma if told.sigma > 0.0 else 1.0
    mr_high = told.mr_high * scale if told.sigma > 0.0 else 3.267 * 1.128 * spread
    return centre, spread, centre - 3.0 * spread, centre + 3.0 * spread, mr_high


def steps(chart: Chart, least: float = 0.0) -> list[Step]:
    """Values clearly off, at least so far; one step lasts until a value is within limits again."""
    found: list[Step] = []
    for phase in chart.phases:
        lasts = False
        for row in range(phase.start, phase.stop):
            value = float(chart.value[row])
            apart = abs(value - phase.centre)
            if apart > CLEARLY * phase.sigma and apart >= least:
                if not lasts:
                    found.append(Step(row, phase.centre, value, phase.sigma))
                lasts = True
            elif phase.low <= value <= phase.high:
                lasts = False
    return found


def beyond(value: float, nominal: float, tolerance: float) -> bool:
    """Whether a value lies further from its nominal than the tolerance allows."""
    return abs(value - nominal) > tolerance
