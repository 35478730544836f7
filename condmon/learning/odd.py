"""Fits the odd pattern: baselines and forests per duty, thresholds from days held back."""

import numpy as np

from condmon.engine.forest import Forest
from condmon.engine.oddness import Baseline, Detector, Tuning, Watcher, softened
from condmon.engine.records import F64
from condmon.learning.grow import background, flat, grown

WIDE = 1.5
FAR_OUT = 1.15
"""The forest speaks at 1.15 x the 99 % quantile of its scores on the training rows (measured)."""


def watcher(usual: Baseline, rows: F64, tuning: Tuning, *, seed: int) -> Watcher:
    """The forest grown on the leans of healthy rows (n, p) against their own baseline."""
    leans = Detector(usual, tuning).push(rows).lean
    healthy = softened(np.nan_to_num(leans[~np.all(np.isnan(leans), axis=1)]))
    around = background(healthy, WIDE, seed=seed)
    forest = Forest(flat(grown(np.concatenate([healthy, around]), seed=seed)), rows.shape[1])
    return Watcher(forest, FAR_OUT * float(np.quantile(forest.scores(healthy), 0.99)))
