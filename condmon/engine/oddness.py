"""How odd a row of features is against healthy rows, and when oddness is an episode. Pure.

A row is a frame of a machine or a reading of a rig; high = odd. What counts is not how far a
feature is from its mean but how far it is from what the other features let expect:

- rows are averaged over a short window first, which is worth more than the choice of model;
- each feature is measured in its own usual scatter, its covariance is shrunken towards the
  diagonal, and what features wander over longer spans of the training is added to it: a sensor
  that drifts anyway is weak evidence, what drifts together keeps its relation;
- `lean` of a feature is then its deviation from what all others predict for it, in sigma
  (the partial residual, row of the inverse covariance over the root of its diagonal);
- the score is the larger of half the largest lean and the root mean square distance;
- the centre follows rows that are not odd, slowly: what was trained once is soon a constant alarm.

An isolation forest may look at the leans as well (`forest.py`); the score is then the geometric
mean of the two, each over its own threshold. What none of this sees: a pattern that was there in
the training, and a fault that grows more slowly than the centre follows.

Every row is worked through alone and in the same way, so that cutting a run of rows anywhere
changes no bit, and no row knows of a later one.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from condmon.engine.forest import Forest
from condmon.engine.records import F64, Flags

ROWS_MIN = 60
"""Fewer rows than this are no baseline."""
KNOWN_MIN = 0.2
"""A feature known in a smaller share of the rows is not usual enough to be unusual, such as the
speed in the first minutes after power-off, before its sensor falls silent."""


SHRINK_MAX = 0.5
CALM = 0.99
"""Below this even the forest's strongest word does not make a row odd."""


class BaselineError(ValueError):
    """These rows cannot be a baseline; the text says why."""


@dataclass(frozen=True, slots=True)
class Tuning:
    """Figures of the detector; found on open data (tests/bench/open_data.py), one set for all.

    Attributes
    ----------
    window : int
        Rows averaged.
    shrink : float
        Share of the covariance that is replaced by its diagonal, for each feature and full window
        of training: 1.7 x p x window / n, at most SHRINK_MAX. Few rows know little of relations.
    drift : float
        How often the covariance of the drift is added.
    lag : float
        Span over which drift is measured, as a share of the training rows.
    follow : float
        Share by which the centre follows a row that is not odd.
    open_at : float
        Score at which a row is odd.
    stay, low : float
        An episode closes below the larger of `stay` x its peak and `low` x `open_at`.
    rearm : float
        After it closed, the next one opens when the score was below `open_at` or rises above
        `rearm` x the closing level.
    hold, release : int
        Rows in a row that open, and that close.
    """

    window: int = 15
    shrink: float = 1.7
    drift: float = 1.75
    lag: float = 0.15
    follow: float = 0.009
    open_at: float = 2.5
    stay: float = 0.4
    low: float = 0.6
    rearm: float = 1.5
    hold: int = 2
    release: int = 4


class Baseline(NamedTuple):
    """What is usual: per feature (p,) and between features (p, p).

    `lean = weigh applied to (row - centre) / scale`; a feature that was hardly ever known weighs
    nothing. `spread` is the usual scatter of a window's
    mean in the feature's own unit, drift included.
    """

    centre: F64
    scale: F64
    weigh: F64
    root: F64  # root of the diagonal of the inverse covariance
    spread: F64


def learn(rows: F64, tuning: Tuning, floor: F64 | None = None) -> Baseline:
    """The baseline of healthy rows.

    Parameters
    ----------
    rows : (n, p) float
        In order of time; NaN where unknown.
    tuning : Tuning
        Figures.
    floor : (p,) float, optional
        Scatter below which a feature is not believed to know better.

    Raises
    ------
    BaselineError
        With too few rows, or where no feature is ever known.
    """
    if len(rows) < max(ROWS_MIN, 2 * tuning.window):
        raise BaselineError(f"{len(rows)} rows are too few to know what is usual")
    means = smooth(rows, tuning.window)
    full = int((~np.isnan(means)).any(axis=1).sum())
    blind = (~np.isnan(means)).sum(axis=0) < max(ROWS_MIN // 2, KNOWN_MIN * full)
    if blind.all():
        raise BaselineError("none of its features is ever known")
    means = np.where(blind, 0.0, means)
    known = ~np.isnan(means)
    least = np.full(rows.shape[1], 1e-9) if floor is None else np.maximum(floor, 1e-9)
    middle = np.nanmedian(means, axis=0)
    scale = np.maximum(1.4826 * np.nanmedian(np.abs(means - middle), axis=0), least)
    z = np.where(known, (means - middle) / scale, np.nan)
    centre, covariance = _moments(z, known)
    whole = covariance + tuning.drift * _drift(z, round(len(z) * tuning.lag), tuning.window)
    own = np.diag(whole) + (least / scale) ** 2
    whole *= 1.0 - min(SHRINK_MAX, tuning.shrink * len(own) * tuning.window / len(rows))
    np.fill_diagonal(whole, own)
    inverse = np.linalg.inv(whole)
    root = np.sqrt(np.diag(inverse))
    weigh = inverse / root[:, None]
    weigh[blind] = weigh[:, blind] = 0.0
    return Baseline(middle + scale * centre, scale, weigh, root, scale * np.sqrt(own))


def smooth(rows: F64, window: int) -> F64:
    """Means of the last `window` rows at each row from the first full window on, (n - w + 1, p).

    Unknown where fewer than half of the rows are known.
    """
    n = len(rows) - window + 1
    total, count = np.zeros((n, rows.shape[1])), np.zeros((n, rows.shape[1]), np.int64)
    for first in range(window):
        part = rows[first : first + n]
        known = ~np.isnan(part)
        total += np.where(known, part, 0.0)
        count += known
    return np.where(count * 2 >= window, total / np.maximum(count, 1), np.nan)


def _moments(z: F64, known: Flags) -> tuple[F64, F64]:
    """Mean and covariance; an unknown value counts as the mean."""
    centre = np.nanmean(z, axis=0)
    off = np.where(known, z - centre, 0.0)
    pairs = np.einsum("ni,nj->ij", off, off, optimize=True)
    return centre, pairs / max(len(z) - 1, 1)


def _drift(z: F64, lag: int, window: int) -> F64:
    """Covariance (p, p) of what features wander over `lag` rows beyond what they do over a window.

    Features that wander together keep their relation: only what the others do not explain becomes
    weak evidence.
    """
    far, near = _steps(z, lag), _steps(z, window)
    over = np.sqrt(np.maximum(1.0 - near.diagonal() / np.maximum(far.diagonal(), 1e-12), 0.0))
    return far * over[:, None] * over[None, :]


def _steps(z: F64, lag: int) -> F64:
    """Mean products of the differences between windows `lag` rows apart, (p, p)."""
    lag = min(max(lag, 1), len(z) - 1)
    steps = np.nan_to_num(z[lag:] - z[:-lag])
    products: F64 = np.einsum("ni,nj->ij", steps, steps, optimize=True) / len(steps)
    return products


class Watcher:
    """A forest's opinion on leans: 1 = at its own threshold, more = odder.

    It sees sign x log(1 + size) of each lean, so that one large lean does not hide the others.
    """

    TUNING = Tuning(open_at=1.0, stay=0.85, low=0.9, hold=10, release=20)
    """Episodes of the forest alone."""

    def __init__(self, forest: Forest, level: float) -> None:
        self.forest, self.level = forest, level

    @property
    def ratio_max(self) -> float:
        """No row has a larger ratio, for a forest's score is at most 1; never below 1 itself."""
        return max(1.0, 1.0 / self.level)

    def ratios(self, leans: F64) -> F64:
        """Score of each row of leans (n, p), none of them NaN, over the threshold."""
        return self.forest.scores(softened(leans)) / self.level


def softened(lean: F64) -> F64:
    """Leans as a forest sees them."""
    return np.sign(lean) * np.log1p(np.abs(lean))


class Episode:
    """From odd rows to one episode: open, peak, relative close, re-arm. Carries six numbers."""

    def __init__(self, tuning: Tuning) -> None:
        self._t = tuning
        self.open = False
        self.peak = 0.0
        self._armed = True
        self._close = 0.0
        self._up, self._down = 0, 0

    def push(self, score: float) -> bool:
        """Whether the row with this score belongs to an episode; an unknown score changes nothing.

        `score` is in units of the threshold: 1 is odd.
        """
        t = self._t
        if score != score:
            return self.open
        if not self.open:
            self._armed = self._armed or score < 1.0 or score > t.rearm * self._close
            self._up = self._up + 1 if self._armed and score >= 1.0 else 0
            if self._up >= t.hold:
                self.open, self.peak, self._down = True, score, 0
            return self.open
        self.peak = max(self.peak, score)
        self._close = max(t.low, t.stay * self.peak)
        self._down = self._down + 1 if score < self._close else 0
        if self._down >= t.release:
            self.open, self._armed, self._up = False, False, 0
        return self.open

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return [self.open, self.peak, self._armed, self._close, self._up, self._down]

    def load(self, state: Sequence[Any]) -> None:
        """Take up a saved state."""
        self.open, self.peak, self._armed, self._close, self._up, self._down = state


class Scored(NamedTuple):
    """What was made of a run of rows; all of n rows."""

    score: F64  # (n,) in units of the threshold, NaN where it cannot be told
    odd: Flags  # (n,) inside an episode
    lean: F64  # (n, p) deviation of each feature from what the others let expect, in sigma
    mean: F64  # (n, p) of the window
    share: F64  # (n, p) of each feature in the squared distance
    centre: F64  # (n, p) against which it was judged


class Detector:
    """Scores rows one after the other.

    Parameters
    ----------
    train_rows : (n, p) float or Baseline
        Healthy rows; the rows to score follow on them.
    tuning : Tuning
        Figures.
    watcher : Watcher, optional
        A forest that looks at the leans as well; the score is then the geometric mean.
    floor : (p,) float, optional
        Scatter below which a feature is not believed to know better.
    threshold : float
        Scores are divided by `tuning.open_at * threshold`; 1 where nothing was calibrated.

    Carries the last `window` rows, the centre and an episode: O(window x p).
    """

    def __init__(
        self,
        train_rows: F64 | Baseline,
        tuning: Tuning | None = None,
        *,
        watcher: Watcher | None = None,
        floor: F64 | None = None,
        threshold: float = 1.0,
    ) -> None:
        self.tuning = tuning or Tuning()
        self.watcher = watcher
        self._level = self.tuning.open_at * threshold
        if isinstance(train_rows, Baseline):
            self.usual, tail = train_rows, np.empty((0, len(train_rows.centre)))
        else:
            self.usual = learn(train_rows, self.tuning, floor)
            tail = train_rows[len(train_rows) - self.tuning.window + 1 :]
        self.centre = self.usual.centre.copy()
        self._live = self.usual.weigh.any(axis=1)
        self.episode = Episode(self.tuning)
        self._recent = np.ascontiguousarray(tail)

    def scores(self, rows: F64) -> F64:
        """Score of each row in units of the threshold, (n,); causal."""
        return self.push(rows).score

    def push(self, rows: F64) -> Scored:
        """Take rows in order of time."""
        n, p = rows.shape
        mean, able = self._means(rows)
        wide = [np.full((n, p), np.nan) for _ in range(3)]
        out = Scored(np.full(n, np.nan), np.zeros(n, bool), wide[0], mean, wide[1], wide[2])
        calm: dict[int, F64] = {}  # leans of rows that are not odd whatever the forest says
        for i in range(n):
            out.centre[i] = self.centre
            if able[i]:
                out.score[i] = self._row(i, out, calm)
            out.odd[i] = self.episode.push(float(out.score[i]))
        if calm and self.watcher is not None:  # one question for many rows
            at, ratio = list(calm), self.watcher.ratios(np.stack(list(calm.values())))
            out.score[at] = np.sqrt(out.score[at] * ratio)
        return out

    def restart(self) -> None:
        """The rows to come do not follow on the last one: forget the window, keep the centre."""
        self._recent = self._recent[:0]

    def _means(self, rows: F64) -> tuple[F64, Flags]:
        """Mean of each row's window, (n, p), and whether enough is known of it, (n,).

        A feature is unknown where fewer than half of the rows so far know it.
        """
        window, n = self.tuning.window, len(rows)
        before = self._recent[max(len(self._recent) - window + 1, 0) :]
        empty = np.full((window - 1 - len(before), rows.shape[1]), np.nan)
        whole = np.concatenate([empty, before, rows])
        self._recent = np.concatenate([before, rows])[-window:]
        known = ~np.isnan(whole)
        filled = np.where(known, whole, 0.0)
        total, count = np.zeros(rows.shape), np.zeros(rows.shape, np.int64)
        for first in range(window):  # one row after the other: the same bits however rows are cut
            total += filled[first : first + n]
            count += known[first : first + n]
        length = np.minimum(len(before) + 1 + np.arange(n), window)
        mean = np.where(count * 2 >= length[:, None], total / np.maximum(count, 1), np.nan)
        told = (~np.isnan(mean) & self._live).sum(axis=1)
        return mean, (length * 2 >= window) & (told * 2 >= self._live.sum())

    def _row(self, i: int, out: Scored, calm: dict[int, F64]) -> float:
        """Score of a row; of a calm one what it is without the forest."""
        known = ~np.isnan(out.mean[i]) & self._live
        off = np.where(known, (out.mean[i] - self.centre) / self.usual.scale, 0.0)
        lean = np.einsum("ij,j->i", self.usual.weigh, off)
        share = off * lean * self.usual.root
        out.share[i], out.lean[i] = share, np.where(known, lean, np.nan)
        far = float(share.sum()) / len(off)
        score = max(float(np.abs(lean).max()) / 2.0, math.sqrt(max(far, 0.0))) / self._level
        if self.watcher is not None:
            if not self.episode.open and score * self.watcher.ratio_max < CALM:
                calm[i] = lean
            else:
                score = math.sqrt(score * float(self.watcher.ratios(lean[None, :])[0]))
        if score < 1.0 and not self.episode.open:
            self.centre += self.tuning.follow * off * self.usual.scale
        return score

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {"centre": self.centre, "recent": self._recent, "episode": self.episode.state()}

    def load(self, state: Mapping[str, Any]) -> None:
        """Take up a saved state."""
        assert state["centre"].shape == self.centre.shape
        self.centre, self._recent = state["centre"], state["recent"]
        self.episode.load(state["episode"])
