"""What is usual: one figure a day from minute values, the first days as the base. Pure.

The base is the first days and stays: a base that moves along would follow a slow wear. A person
starts a new one by returning the check to service.
"""

from math import fsum, nan
from typing import Any

import numpy as np

from condmon.engine.minutely import DAY_MIN
from condmon.engine.records import F64, I64

BASE_DAYS = 5
READY_DAYS = 3
"""Three days hold at least two shifts of different work; five outlast a weekend."""
RECENT = 60
DAY_VALUES_MAX = 4096
"""Values of a day that are kept. Minutes are fewer; a source that repeats itself many times a
second is thinned evenly, which moves a day's middle by less than its own scatter."""


class Past:
    """Carried: the minute values of the day that is not over, the base's figures, the last values.

    Parameters
    ----------
    least : int
        Minute values that make a day count.
    share : float | None
        Which of the sorted values is the day's figure (0.5: the median); None: their mean.
    offset_min : int
        Minutes after 0:00 UTC at which a day begins.
    recent : int
        How many of the newest values `now` looks at.
    base : int
        Days of the base; from READY_DAYS of them on it is used.
    """

    def __init__(
        self,
        least: int = 30,
        share: float | None = 0.5,
        offset_min: int = 0,
        recent: int = RECENT,
        base: int = BASE_DAYS,
    ) -> None:
        self._least, self._share, self._offset = least, share, offset_min
        self._recent, self._base = recent, base
        self._day = -1
        self._values: list[float] = []
        self._each, self._passed = 1, 0  # each so-manieth is kept; how many passed since
        self.figures: list[float] = []
        self.last: list[float] = []

    def push(self, minute: I64, value: F64) -> None:
        """Add minute values in order; NaN is passed over."""
        # at most ten of them, mostly: lists are several times faster than columns
        values = value.tolist()
        known = [one for one in values if one == one]
        if not known:
            return
        first, last = (int(at) - self._offset for at in (minute[0], minute[-1]))
        if first // DAY_MIN == last // DAY_MIN:
            self._add(first // DAY_MIN, known)
        else:
            day = [(at - self._offset) // DAY_MIN for at in minute.tolist()]
            for of in sorted(set(day)):
                self._add(of, [v for d, v in zip(day, values, strict=True) if d == of and v == v])
        self.last = [*self.last, *known][-self._recent :]

    def _add(self, day: int, known: list[float]) -> None:
        """Values of one day."""
        if not known:
            return
        if day != self._day:
            self._close()
            self._day = day
        if len(self.figures) < self._base:
            self._keep(known)

    def _keep(self, known: list[float]) -> None:
        """Take values up one by one where they would be too many: no cut of the stream may show."""
        if self._each == 1 and len(self._values) + len(known) <= DAY_VALUES_MAX:
            self._values += known
            return
        for value in known:
            if self._passed == 0:
                if len(self._values) == DAY_VALUES_MAX:
                    self._values = self._values[::2]
                    self._each *= 2
                self._values.append(value)
            self._passed = (self._passed + 1) % self._each

    def _close(self) -> None:
        if len(self._values) >= self._least and len(self.figures) < self._base:
            self.figures.append(middle(self._values, self._share))
        self._values, self._each, self._passed = [], 1, 0

    def usual(self) -> float:
        """Middle of the base's days, NaN while there are too few."""
        return middle(self.figures) if len(self.figures) >= READY_DAYS else nan

    def now(self) -> float:
        """The figure of the newest values, NaN while there are too few."""
        return middle(self.last, self._share) if len(self.last) >= self._recent else nan

    def forget_recent(self) -> None:
        """The newest values are of another time."""
        self.last = []

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        thinned = [self._each, self._passed]
        return [self._day, np.array(self._values), self.figures, np.array(self.last), thinned]

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        self._day, values, self.figures, last, *thinned = state
        self._values, self.last = values.tolist(), last.tolist()
        # a snapshot of before values were thinned has none
        self._each, self._passed = thinned[0] if thinned else (1, 0)


def middle(values: list[float], share: float | None = 0.5) -> float:
    """One of the sorted values by its share of the way, or their mean; NaN of none."""
    if not values:
        return nan
    if share is None:
        return fsum(values) / len(values)
    ordered = sorted(values)
    if share == 0.5:
        half = len(ordered) // 2
        return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2
    return ordered[round(share * (len(ordered) - 1))]


def scatter(values: list[float]) -> float:
    """Standard deviation as the middle distance from the middle tells it (1.4826 for a normal)."""
    centre = middle(values)
    return 1.4826 * middle([abs(value - centre) for value in values])
