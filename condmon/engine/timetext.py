"""Times as sources write them: numbers since 1970, RFC 3339 and ISO 8601 text. Pure, integers only.

RFC 3339 and the basic form of ISO 8601 are taken. The unit of a number is told by its size: up to
1e11 seconds, up to 1e14 milliseconds, up to 1e17 microseconds, above that nanoseconds (our own
rule: every instant from 1973 to 5138 reads right in each of the four).
"""

import re
from collections.abc import Callable
from math import isfinite

from condmon.engine.records import NO_TIME, SECOND_US, TIME_UNREADABLE, ZONE_ASSUMED

ZoneOffset = Callable[[int], int]
"""Seconds a local clock is ahead of UTC at an instant given in microseconds of UTC."""

DAY_US = 86_400 * SECOND_US
LATEST_US = 253_402_300_800 * SECOND_US  # the year 10000: what is beyond is no time
EARLIEST_US = -62_135_596_800 * SECOND_US  # the year 1

_CLOCK = (
    r"(?P<hour>[0-9]{2})(?P<c>:?)(?P<minute>[0-9]{2})"
    r"(?:(?P=c)(?P<second>[0-9]{2})(?:[.,](?P<part>[0-9]+))?)?"
)
_ZONE = r" ?(?P<zone>[Zz]|[+-][0-9]{2}(?::?[0-9]{2})?)?"
_TEXT = re.compile(
    r"(?P<year>[0-9]{4})(?P<d>-?)(?P<month>[0-9]{2})(?P=d)(?P<day>[0-9]{2})[Tt ]" + _CLOCK + _ZONE
)
_NUMBER = re.compile(r"(?P<sign>[+-]?)(?P<whole>[0-9]{1,20})(?:\.(?P<part>[0-9]*))?")
_DAYS_BEFORE = (0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334, 365)


def instant(given: object, arrived_us: int, zone: ZoneOffset | None = None) -> tuple[int, int]:
    """Read the instant a source gave, with marks.

    Parameters
    ----------
    given : object
        What stood in the payload: a number, a text, None for no time.
    arrived_us : int
        When it came; settles which of two equal local times in the autumn night is meant.
    zone : ZoneOffset or None
        For texts without a zone; None takes them as UTC.

    Returns
    -------
    tuple of int
        (`own_us`, marks); NO_TIME when there is none, with TIME_UNREADABLE when there should be.
    """
    at_us: int | None = None
    mark = 0
    if given is None:
        return NO_TIME, 0
    if isinstance(given, str):
        text = given.strip()
        if not text:
            return NO_TIME, 0
        at_us, mark = _from_text(text, arrived_us, zone)
    elif isinstance(given, int | float) and not isinstance(given, bool):
        at_us = from_number(given)
    if at_us is None or not EARLIEST_US <= at_us < LATEST_US:
        return NO_TIME, TIME_UNREADABLE
    return at_us, mark


def from_number(number: float) -> int | None:
    """Microseconds since 1970 from seconds, milli-, micro- or nanoseconds since 1970."""
    if isinstance(number, float):
        if not isfinite(number):
            return None
        if number.is_integer():
            number = int(number)
        elif abs(number) < 1e11:
            return round(number * 1e6)
        elif abs(number) < 1e14:
            return round(number * 1e3)
    size = abs(number)
    if size < 10**11:
        return int(number) * SECOND_US
    if size < 10**14:
        return int(number) * 1000
    if size < 10**17:
        return int(number)
    return int(number) // 1000


def _from_text(text: str, arrived_us: int, zone: ZoneOffset | None) -> tuple[int | None, int]:
    if len(text) > 64:
        return None, 0
    found = _TEXT.fullmatch(text)
    if found is not None:
        return _from_calendar(found, arrived_us, zone)
    found = _NUMBER.fullmatch(text)
    if found is None:
        return None, 0
    if found["part"]:
        return from_number(float(text)), 0
    return from_number(int(found["sign"] + found["whole"])), 0


def _from_calendar(
    found: re.Match[str], arrived_us: int, zone: ZoneOffset | None
) -> tuple[int | None, int]:
    if bool(found["d"]) != bool(found["c"]):
        return None, 0  # half extended, half basic form
    day = days(int(found["year"]), int(found["month"]), int(found["day"]))
    hour, minute, second = int(found["hour"]), int(found["minute"]), int(found["second"] or 0)
    part_us = int((found["part"] or "0")[:6].ljust(6, "0"))
    if day is None or minute > 59 or second > 60 or hour > 24:
        return None, 0
    if hour == 24 and (minute or second or part_us):
        return None, 0  # 24:00:00 is the end of the day and nothing comes after it
    at_us = (day * 86_400 + hour * 3600 + minute * 60 + second) * SECOND_US + part_us
    mark = 0
    if found["zone"] is None:
        mark = ZONE_ASSUMED
        at_us = to_utc(at_us, arrived_us, zone) if zone is not None else at_us
    else:
        offset_s = _offset(found["zone"])
        if offset_s is None:
            return None, 0
        at_us -= offset_s * SECOND_US
    if second == 60 and (at_us - part_us) % DAY_US:
        return None, 0  # a leap second only ever ends a day of UTC
    return at_us, mark


def days(year: int, month: int, day: int) -> int | None:
    """Days from 1970-01-01 to a day of the Gregorian calendar; None when there is no such day."""
    if not (year >= 1 and 1 <= month <= 12 and day >= 1):
        return None
    leap = year % 4 == 0 and (year % 100 != 0 or year % 400 == 0)
    length = _DAYS_BEFORE[month] - _DAYS_BEFORE[month - 1] + (leap and month == 2)
    if day > length:
        return None
    years = year - 1
    before = years * 365 + years // 4 - years // 100 + years // 400
    return before + _DAYS_BEFORE[month - 1] + (leap and month > 2) + day - 1 - 719_162


def _offset(text: str) -> int | None:
    if text in {"Z", "z"}:
        return 0
    figures = text[1:].replace(":", "").ljust(4, "0")
    hours, minutes = int(figures[:2]), int(figures[2:])
    if hours > 23 or minutes > 59:
        return None
    seconds = hours * 3600 + minutes * 60
    return -seconds if text[0] == "-" else seconds


def to_utc(local_us: int, near_us: int, zone: ZoneOffset) -> int:
    """UTC of a wall-clock reading; of two that fit, the one nearer to `near_us`.

    A reading inside the hour that is skipped in spring takes the offset of before.
    """
    around = (zone(local_us - DAY_US), zone(local_us + DAY_US))
    fits = [
        local_us - offset_s * SECOND_US
        for offset_s in around
        if zone(local_us - offset_s * SECOND_US) == offset_s
    ]
    if not fits:
        return local_us - around[0] * SECOND_US
    return min(fits, key=lambda at_us: abs(at_us - near_us))
