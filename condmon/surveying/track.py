"""What one source sent over the survey: numbers, words, times, in bounded memory. Pure."""

import math
from collections import Counter
from dataclasses import dataclass, field

from condmon.engine.records import NO_TIME, SECOND_US

SLOT_US = 5 * SECOND_US
SLOTS_MAX = 1500  # one track takes at most some 200 kB
STEPS_MAX = 400
WORDS_MAX = 24
WORD_LETTERS_MAX = 60
UNITS_MAX = 8


@dataclass(slots=True)
class Track:
    """One source's values in short.

    Attributes
    ----------
    slots : dict[int, float or str]
        Last value of each slot of `slot_us`; slots grow wider when there are too many.
    steps_us : list[int]
        Times between neighbours, the first `STEPS_MAX`, by the source's own clock where it has one.
    beside : Counter of (str or None, str or None)
        Where the time of a value and the step of an array stood.
    """

    messages: int = 0
    retained: int = 0
    numbers: int = 0
    nothing: int = 0  # null, empty, NaN
    low: float = math.inf
    high: float = -math.inf
    whole: bool = True
    rises: int = 0
    falls: int = 0
    at_rises_us: list[int] = field(default_factory=list)
    words: Counter[str] = field(default_factory=Counter)
    units: Counter[str] = field(default_factory=Counter)
    booleans: int = 0
    arrays: int = 0
    longest: int = 0
    own_times: int = 0
    first_us: int = NO_TIME
    steps_us: list[int] = field(default_factory=list)
    slots: dict[int, float | str] = field(default_factory=dict)
    slot_us: int = SLOT_US
    beside: Counter[tuple[str | None, str | None]] = field(default_factory=Counter)
    _last: float = math.nan
    _last_us: int = NO_TIME

    def take(self, given: object, arrived_us: int, own_us: int, *, retained: bool) -> None:
        """Take one value."""
        self.messages += 1
        self.retained += retained
        self.own_times += own_us != NO_TIME
        at_us = arrived_us if own_us == NO_TIME else own_us
        if self.first_us == NO_TIME:
            self.first_us = at_us
        if not retained:
            self._step(at_us)
        if isinstance(given, list):
            self.arrays += 1
            self.longest = max(self.longest, len(given))
            given = max(given, key=abs, default=0.0)
        if isinstance(given, bool):
            self.booleans += 1
            self._word("true" if given else "false", at_us)
        elif isinstance(given, int | float):
            self._number(given, at_us)
        elif isinstance(given, str) and given.strip():
            self._word(given.strip(), at_us)
        else:
            self.nothing += 1

    def unit(self, code: str) -> None:
        """Take a unit that stood beside a value."""
        if code in self.units or len(self.units) < UNITS_MAX:
            self.units[code] += 1

    def _step(self, at_us: int) -> None:
        if self._last_us != NO_TIME and at_us > self._last_us and len(self.steps_us) < STEPS_MAX:
            self.steps_us.append(at_us - self._last_us)
        self._last_us = max(at_us, self._last_us)

    def _number(self, given: float, at_us: int) -> None:
        value = float(given) if abs(given) < 1e300 else math.nan
        if not math.isfinite(value):
            self.nothing += 1
            return
        self.numbers += 1
        self.low, self.high = min(self.low, value), max(self.high, value)
        self.whole = self.whole and value.is_integer()
        self.falls += value < self._last
        if value > self._last:
            self.rises += 1
            if len(self.at_rises_us) < STEPS_MAX:
                self.at_rises_us.append(at_us)
        self._last = value
        self._keep(at_us, value)

    def _word(self, given: str, at_us: int) -> None:
        word = given[:WORD_LETTERS_MAX]
        if word in self.words or len(self.words) < WORDS_MAX:
            self.words[word] += 1
        self._keep(at_us, word)

    def _keep(self, at_us: int, value: float | str) -> None:
        self.slots[at_us // self.slot_us] = value
        if len(self.slots) > SLOTS_MAX:
            self.slot_us *= 2
            self.slots = {slot // 2: kept for slot, kept in self.slots.items()}

    @property
    def is_numeric(self) -> bool:
        """Numbers, nine times of ten."""
        told = self.messages - self.nothing
        return self.numbers > 0 and self.numbers >= 0.9 * told

    @property
    def is_two_valued(self) -> bool:
        """Words, booleans, or numbers that are 0 or 1."""
        if self.numbers:
            return self.whole and self.low >= 0 and self.high <= 1 and not self.words
        return bool(self.words)

    @property
    def only_rises(self) -> bool:
        """Whole numbers or fractions that go up, and down at most when they start again."""
        return self.is_numeric and self.rises >= 2 and self.falls * 50 <= self.rises

    def period_s(self) -> float | None:
        """Median time between values; None after fewer than three."""
        if len(self.steps_us) < 3:
            return None
        ordered = sorted(self.steps_us)
        return ordered[len(ordered) // 2] / SECOND_US

    def is_regular(self) -> bool:
        """Whether three of four steps are near the median: a sensor that sends on a clock."""
        period_s = self.period_s()
        if period_s is None:
            return False
        near = sum(0.5 * period_s <= step / SECOND_US <= 1.5 * period_s for step in self.steps_us)
        return near >= 0.75 * len(self.steps_us)

    def share_inside(self, low: float, high: float) -> float:
        """Share of the kept numbers from `low` to `high`."""
        numbers = [value for value in self.slots.values() if isinstance(value, float)]
        if not numbers:
            return 0.0
        return sum(low <= value <= high for value in numbers) / len(numbers)

    def middle(self) -> float:
        """Median of the kept numbers; NaN when there are none."""
        numbers = sorted(value for value in self.slots.values() if isinstance(value, float))
        return numbers[len(numbers) // 2] if numbers else math.nan
