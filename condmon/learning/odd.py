"""Fits the odd pattern: baselines and forests per duty, thresholds from days held back.

The threshold is what healthy days that were not fitted on exceed as often as the budget of false
alerts allows. Days are few, so that the largest score of each day is taken to follow Gumbel's
distribution (of its logarithm; fitted by moments, common practice, no source) and the level is read
off its tail. Days with alerts are not days to learn from; the caller leaves those frames out.
"""

import platform
from typing import NamedTuple

import numpy as np
import sklearn

from condmon import __version__
from condmon.engine.duty import names
from condmon.engine.forest import EULER, Forest
from condmon.engine.frames import features
from condmon.engine.minutely import DAY_MIN, MINUTE_S
from condmon.engine.oddmodel import DutyModel, OddModel
from condmon.engine.oddness import (
    Baseline,
    BaselineError,
    Detector,
    Tuning,
    Watcher,
    learn,
    smooth,
    softened,
)
from condmon.engine.records import F64, I64, SECOND_US, Flags
from condmon.engine.settings import Machine
from condmon.learning.grow import background, flat, grown

WIDE = 1.5
FAR_OUT = 1.15
"""The forest speaks at 1.15 x the 99 % quantile of its scores on the training rows (measured)."""
FOLDS = 3
DAY_FRAMES = 240
DUTY_FRAMES_MIN = 600
FRAMES_MAX = 30 * DAY_MIN
SEED = 20_000


class Table(NamedTuple):
    """Frames of one machine in order of time, n of them."""

    minute: I64  # (n,) since 1970
    duty: I64  # (n,) index into the machine's duties, -1 where it changed or is not known
    rows: F64  # (n, p)
    left_out: Flags  # (n,) with an alert or a service visit


class Refused(Exception):  # noqa: N818 - no fault: it says what is still missing
    """There is not enough to learn from; the text says how far it has come."""


def fit(machine: Machine, table: Table, *, alerts_a_week: float, days_min: int) -> OddModel:
    """The model of a machine from its last 30 days of frames.

    Raises
    ------
    Refused
        With fewer than `days_min` days of at least four hours, or when no duty can be learned.
    """
    last = slice(-FRAMES_MAX, None)
    table = Table(table.minute[last], table.duty[last], table.rows[last], table.left_out[last])
    good = (table.duty >= 0) & ~table.left_out
    days = int(
        (np.unique(table.minute[good] // DAY_MIN, return_counts=True)[1] >= DAY_FRAMES).sum()
    )
    if days < days_min:
        raise Refused(f"still learning ({days} of {days_min} days)")
    found = features(machine)
    floor = np.array([feature.floor for feature in found])
    duties: dict[str, DutyModel] = {}
    refused: dict[str, str] = {}
    every = names(machine)
    share = alerts_a_week / len(every)
    for code, name in enumerate(every):
        mine = good & (table.duty == code)
        try:
            duties[name] = _duty(table.minute[mine], table.rows[mine], floor, share)
        except (BaselineError, np.linalg.LinAlgError) as error:
            refused[name] = str(error)
    if not duties:
        raise Refused("; ".join(f"{name}: {why}" for name, why in refused.items()))
    return OddModel(
        machine.id,
        tuple(feature.name for feature in found),
        tuple(feature.unit for feature in found),
        duties,
        refused,
        int(table.minute[0]) * MINUTE_S * SECOND_US,
        (int(table.minute[-1]) + 1) * MINUTE_S * SECOND_US,
        alerts_a_week,
        {
            "condmon": __version__,
            "numpy": np.__version__,
            "scikit-learn": sklearn.__version__,
            "python": platform.python_version(),
        },
    )


def _duty(minute: I64, rows: F64, floor: F64, alerts_a_week: float) -> DutyModel:
    if len(rows) < DUTY_FRAMES_MIN:
        raise BaselineError(f"{len(rows)} of {DUTY_FRAMES_MIN} frames so far")
    day = minute // DAY_MIN
    all_days = np.unique(day)
    maxima: list[float] = []
    tuning = Tuning()
    for number, held in enumerate(np.array_split(all_days, min(FOLDS, len(all_days)))):
        inside = np.isin(day, held)
        if inside.all():
            raise BaselineError("it was seen on one day only")
        usual, seer = _fitted(minute[~inside], rows[~inside], floor, tuning, SEED + number)
        detector = Detector(usual, tuning, watcher=seer)
        score = detector.scores(_parted(minute[inside], rows[inside], tuning))
        maxima += _day_maxima(score, _parted(minute[inside], day[inside], tuning), tuning.hold)
    usual, seer = _fitted(minute, rows, floor, tuning, SEED)
    return DutyModel(usual, seer, threshold(maxima, alerts_a_week), len(rows), len(all_days))


def _fitted(
    minute: I64, rows: F64, floor: F64, tuning: Tuning, seed: int
) -> tuple[Baseline, Watcher]:
    parted = _parted(minute, rows, tuning)
    usual = learn(parted, tuning, floor)
    # a model is stored with 32-bit weights; thresholds must be those of what is stored
    usual = usual._replace(weigh=usual.weigh.astype(np.float32).astype(np.float64))
    return usual, watcher(usual, parted, tuning, seed=seed)


def watcher(usual: Baseline, rows: F64, tuning: Tuning, *, seed: int) -> Watcher:
    """The forest grown on the leans of healthy rows (n, p) against their own baseline."""
    means = smooth(rows, tuning.window)
    means = means[np.sum(~np.isnan(means), axis=1) * 2 >= means.shape[1]]
    off = np.nan_to_num((means - usual.centre) / usual.scale)
    healthy = softened(np.einsum("ij,nj->ni", usual.weigh, off, optimize=True))
    around = background(healthy, WIDE, seed=seed)
    forest = Forest(flat(grown(np.concatenate([healthy, around]), seed=seed)), rows.shape[1])
    scores = np.concatenate([forest.scores(part) for part in np.array_split(healthy, 32)])
    return Watcher(forest, FAR_OUT * float(np.quantile(scores, 0.99)))


def _parted(minute: I64, column: F64 | I64, tuning: Tuning) -> F64:
    """Runs of neighbouring minutes with enough unknown rows between that no window spans two."""
    values = column.astype(np.float64).reshape(len(column), -1)
    gap = np.full((tuning.window // 2 + 1, values.shape[1]), np.nan)
    breaks = np.flatnonzero(np.diff(minute) != 1) + 1
    parts: list[F64] = []
    for run in np.split(values, breaks):
        parts += [run, gap]
    return np.concatenate(parts[:-1])


def _day_maxima(score: F64, day: F64, hold: int) -> list[float]:
    """The largest score of each day that lasts for `hold` rows; days without any are left out."""
    lasting = score.copy()
    for back in range(1, hold):
        lasting[back:] = np.minimum(lasting[back:], score[:-back])  # NaN stays NaN
    out = []
    for one in np.unique(day[~np.isnan(day)]).tolist():
        mine = lasting[(day[:, 0] == one) & ~np.isnan(lasting)]
        if len(mine):
            out.append(float(mine.max()))
    return out


def threshold(day_maxima: list[float], alerts_a_week: float) -> float:
    """The score that healthy days exceed `alerts_a_week` times a week, by Gumbel's tail.

    Never below what the days themselves show where they are enough to show it.
    """
    if not day_maxima:
        raise BaselineError("no day could be held back to set a threshold")
    chance = min(max(alerts_a_week / 7.0, 1e-4), 0.5)
    logs = np.log(np.maximum(day_maxima, 1e-6))
    beta = float(logs.std(ddof=1)) * np.sqrt(6.0) / np.pi if len(logs) > 1 else 0.3
    level = float(logs.mean()) - EULER * beta - beta * np.log(-np.log1p(-chance))
    if len(logs) * chance >= 1.0:
        level = max(level, float(np.quantile(logs, 1.0 - chance)))
    return float(np.exp(level))
