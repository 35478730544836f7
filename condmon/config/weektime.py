"""Times of the week as a shop writes them: "Mon-Fri 20:00-06:00", "Fri 22:00-Mon 05:00"."""

import re
from typing import Any

from condmon.config.table import Wrong
from condmon.config.values import text

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAY_MIN = 24 * 60
WEEK_MIN = 7 * DAY_MIN

_CLOCK = r"(\d{1,2}):(\d{2})"
_DAY = r"([A-Za-z]{3})"
_CLOCK_ONLY = re.compile(_CLOCK, re.ASCII)
_EACH_DAY = re.compile(rf"(?:{_DAY}(?:\s*-\s*{_DAY})?\s+)?{_CLOCK}\s*-\s*{_CLOCK}", re.ASCII)
_ACROSS = re.compile(rf"{_DAY}\s+{_CLOCK}\s*-\s*{_DAY}\s+{_CLOCK}", re.ASCII)
_DAY_SPAN = re.compile(rf"{_DAY}(?:\s*-\s*{_DAY})?", re.ASCII)


def minute_of_day(value: Any) -> int:
    """Read a clock time as minutes since midnight, 0 to 1439."""
    found = _CLOCK_ONLY.fullmatch(text(value, 20))
    if found is None:
        raise Wrong('write the time of day as hours and minutes, like "07:00"')
    minute = _minute(found[1], found[2])
    if minute == DAY_MIN:
        raise Wrong('midnight is "00:00" here')
    return minute


def days(value: Any) -> frozenset[int]:
    """Read days of the week, Monday = 0; a text or a list of "Mon" and "Mon-Fri"."""
    rows = value if isinstance(value, list) else [value]
    found: set[int] = set()
    for row in rows:
        match = _DAY_SPAN.fullmatch(text(row, 20))
        if match is None:
            raise Wrong('write days like "Mon" or "Mon-Fri"')
        found.update(_day_span(match[1], match[2]))
    if not found:
        raise Wrong("name at least one day")
    return frozenset(found)


def spans(value: Any) -> tuple[tuple[int, int], ...]:
    """Read spans of the week as minutes [from, to) since Monday 00:00; `to` < `from` wraps."""
    if not isinstance(value, list):
        raise Wrong('this must be a list, like ["Mon-Fri 20:00-06:00"]')
    found = [one for row in value for one in _one(text(row, 60))]
    if len(set(found)) != len(found):
        raise Wrong("the same hours are there twice; keep one")
    return tuple(sorted(found))


def _one(row: str) -> list[tuple[int, int]]:
    across = _ACROSS.fullmatch(row)
    if across:
        start = _day(across[1]) * DAY_MIN + _minute(across[2], across[3])
        end = _day(across[4]) * DAY_MIN + _minute(across[5], across[6])
        return [_span(start, end)]
    match = _EACH_DAY.fullmatch(row)
    if match is None:
        raise Wrong(f'"{row}" cannot be read; write it like "Mon-Fri 20:00-06:00", '
                    '"Sat-Sun 00:00-24:00" or "Fri 22:00-Mon 05:00"')  # fmt: skip
    start, end = _minute(match[3], match[4]), _minute(match[5], match[6])
    if start == end:
        raise Wrong('this span has no length; a whole day is "00:00-24:00"')
    length = end - start if end > start else end + DAY_MIN - start
    on = _day_span(match[1], match[2]) if match[1] else range(7)
    return [_span(day * DAY_MIN + start, day * DAY_MIN + start + length) for day in on]


def _span(start: int, end: int) -> tuple[int, int]:
    """Bring both ends into one week; an end at the week's very end stays there."""
    start %= WEEK_MIN
    end = end if end <= WEEK_MIN else end % WEEK_MIN
    if start == end:
        raise Wrong("this span has no length")
    return start, end or WEEK_MIN


def _day_span(first: str, last: str | None) -> list[int]:
    start = _day(first)
    length = (_day(last) - start) % 7 if last else 0
    return [(start + n) % 7 for n in range(length + 1)]


def _day(word: str) -> int:
    if word.lower() not in DAYS:
        raise Wrong(f'"{word}" is no day; days are Mon Tue Wed Thu Fri Sat Sun')
    return DAYS.index(word.lower())


def _minute(hours: str, minutes: str) -> int:
    minute = int(hours) * 60 + int(minutes)
    if int(minutes) > 59 or minute > DAY_MIN:
        raise Wrong(f"{hours}:{minutes} is no time of day")
    return minute
