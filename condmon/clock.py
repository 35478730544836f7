"""The clock: the only place in the shell that reads time, and the site's calendar.

`SiteCalendar` is a pure function of UTC and a time zone; `Clock` gives instants in microseconds of
UTC that never go backwards, whatever is done to the computer's clock.
"""

import re
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from condmon.engine.records import SECOND_US
from condmon.engine.timetext import days

_QUARTER_US = 900 * SECOND_US
_DAY_S = 86_400
_FIRST_US = 0
_END_US = 7_289_654_400 * SECOND_US  # 2201-01-01; zone rules beyond are nobody's promise
_CACHE_MAX = 20_000  # half a year of quarter hours
_MINUTES_TO_MONDAY = 3 * 24 * 60  # 1970-01-01 was a Thursday

_RFC3339 = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt ](\d\d):(\d\d):(\d\d)(?:\.(\d+))?(?:[Zz]|([+-])(\d\d):(\d\d))",
    re.ASCII,
)


class SiteCalendar:
    """The site's wall clock; implements `engine.settings.Calendar`.

    Offsets are looked up once a quarter hour of UTC, the finest step at which zones change theirs.
    Before 1970 and after 2200 it shows UTC.

    Parameters
    ----------
    tz_name : str
        Name in the IANA time zone database, such as "Europe/Oslo"; ZoneInfoNotFoundError or
        ValueError when there is none.
    """

    def __init__(self, tz_name: str) -> None:
        self.tz_name = tz_name
        self._zone = ZoneInfo(tz_name)
        self._offsets_s: dict[int, int] = {}

    def offset_s(self, at_us: int) -> int:
        """Seconds the local clock is ahead of UTC at an instant."""
        quarter = at_us // _QUARTER_US
        offset_s = self._offsets_s.get(quarter)
        if offset_s is None:
            offset_s = self._look_up(quarter * _QUARTER_US)
            if len(self._offsets_s) >= _CACHE_MAX:
                self._offsets_s.clear()
            self._offsets_s[quarter] = offset_s
        return offset_s

    def minute_of_week(self, at_us: int) -> int:
        """Minutes since Monday 00:00 local time, 0 to 10079."""
        local_min = (at_us // SECOND_US + self.offset_s(at_us)) // 60
        return (local_min + _MINUTES_TO_MONDAY) % (7 * 24 * 60)

    def text(self, at_us: int) -> str:
        """Local wall time as `YYYY-MM-DD HH:MM:SS`."""
        return str(np.datetime64(at_us // SECOND_US + self.offset_s(at_us), "s")).replace("T", " ")

    def next_local(self, at_us: int, minute_of_day: int, days: frozenset[int]) -> int:
        """First instant after `at_us` at which the local clock shows that minute on such a day.

        Once a day: in the autumn night the first of the two counts. A minute that is skipped in
        spring is taken as far after the change as it would have been.
        """
        assert days <= frozenset(range(7)), "days are numbered from Monday = 0"
        assert days, "without a day there is no next time"
        today = (at_us // SECOND_US + self.offset_s(at_us)) // _DAY_S
        for day in range(today - 1, today + 10):
            if (day + 3) % 7 in days:
                found_us = self._instant((day * _DAY_S + minute_of_day * 60) * SECOND_US)
                if found_us > at_us:
                    return found_us
        raise AssertionError("ten days hold every day of the week")

    def _instant(self, local_us: int) -> int:
        """First instant at which the local clock shows this; of a skipped one, as if unchanged."""
        before_s = self.offset_s(local_us - _DAY_S * SECOND_US)
        after_s = self.offset_s(local_us + _DAY_S * SECOND_US)
        for offset_s in sorted((before_s, after_s), reverse=True):
            found_us = local_us - offset_s * SECOND_US
            if self.offset_s(found_us) == offset_s:
                return found_us
        return local_us - before_s * SECOND_US

    def _look_up(self, at_us: int) -> int:
        if not _FIRST_US <= at_us < _END_US:
            return 0
        offset = datetime.fromtimestamp(at_us // SECOND_US, UTC).astimezone(self._zone).utcoffset()
        return round(offset.total_seconds()) if offset is not None else 0


class Clock:
    """Time in microseconds of UTC, read once from the wall and carried on by the monotonic clock.

    Parameters
    ----------
    speed : float
        How many seconds pass in one real second; the demo lives faster.
    start_us : int or None
        Where to begin; None begins at the wall's time and may follow the wall later.
    wall_ns, monotonic_ns
        The two clocks of the system.
    """

    def __init__(self, speed: float = 1.0, start_us: int | None = None, *,
                 wall_ns: Callable[[], int] = time.time_ns,
                 monotonic_ns: Callable[[], int] = time.monotonic_ns) -> None:  # fmt: skip
        assert speed > 0, "time only goes forward"
        self.speed = speed
        self._wall_ns, self._monotonic_ns = wall_ns, monotonic_ns
        self._follows_wall = speed == 1.0 and start_us is None
        self._lock = threading.Lock()
        self._anchor_ns = monotonic_ns()
        self._anchor_us = wall_ns() // 1000 if start_us is None else start_us
        self._latest_us = self._anchor_us
        self._ahead_ns = self._wall_ns() - self._monotonic_ns()

    def now_us(self) -> int:
        """Give the present instant; never less than any given before."""
        with self._lock:
            return self._now_us()

    def monotonic_s(self) -> float:
        """Seconds of real time since some moment, for waiting and for measuring."""
        return self._monotonic_ns() / 1e9

    def wall_step_s(self) -> float:
        """How far the wall clock was moved since this was last asked, in seconds; back is < 0."""
        with self._lock:
            ahead_ns = self._wall_ns() - self._monotonic_ns()
            step_ns, self._ahead_ns = ahead_ns - self._ahead_ns, ahead_ns
            return step_ns / 1e9

    def wall_off_s(self) -> float:
        """How far the wall stands before our own time (after it: < 0); 0 with a clock of our own.

        Only a wall that was put back stays off: our time goes forward with it.
        """
        with self._lock:
            return (self._wall_ns() // 1000 - self._now_us()) / 1e6 if self._follows_wall else 0.0

    def take_wall(self) -> float:
        """Go forward to the wall's time where that is later; seconds gone forward, 0 if none.

        A wall clock put back does not take our own time along: two instants would have one name.
        A clock that was given its own start or speed has no wall to follow.
        """
        with self._lock:
            now_us, wall_us = self._now_us(), self._wall_ns() // 1000
            if not self._follows_wall or wall_us <= now_us:
                return 0.0
            self._anchor_ns, self._anchor_us = self._monotonic_ns(), wall_us
            return (self._now_us() - now_us) / 1e6

    def not_before(self, at_us: int) -> None:
        """Go on from this instant where the clock stands before it, as after a lost battery."""
        with self._lock:
            self._anchor_us += max(0, at_us - self._now_us())

    def _now_us(self) -> int:
        gone_ns = self._monotonic_ns() - self._anchor_ns
        gone_us = gone_ns // 1000 if self.speed == 1.0 else int(gone_ns * self.speed / 1000)
        self._latest_us = max(self._latest_us, self._anchor_us + gone_us)
        return self._latest_us


def rfc3339(at_us: int) -> str:
    """Write an instant as RFC 3339 text in UTC: "2026-11-25T02:00:00.123Z"; no idle zeros."""
    whole_s, part_us = divmod(at_us, SECOND_US)
    part = f".{part_us:06d}".rstrip("0").rstrip(".")
    return f"{np.datetime64(whole_s, 's')}{part}Z"


def parse_rfc3339(text: str) -> int | None:
    """Instant of an RFC 3339 text (with zone, as it demands); None when it is none.

    Digits beyond the microsecond are cut off. A leap second, at the end of a day of UTC only, is
    the first second of the next day. A blank may stand for the T (RFC 3339, 5.6, note).
    """
    found = _RFC3339.fullmatch(text)
    if found is None:
        return None
    day = days(int(found[1]), int(found[2]), int(found[3]))
    hour, minute, second = int(found[4]), int(found[5]), int(found[6])
    ahead_hour, ahead_min = int(found[9] or 0), int(found[10] or 0)
    if day is None or hour > 23 or minute > 59 or second > 60:
        return None
    if ahead_hour > 23 or ahead_min > 59:
        return None
    ahead_s = (ahead_hour * 3600 + ahead_min * 60) * (-1 if found[8] == "-" else 1)
    at_s = day * _DAY_S + hour * 3600 + minute * 60 + second - ahead_s
    if second == 60 and at_s % _DAY_S:
        return None
    return at_s * SECOND_US + int((found[7] or "")[:6].ljust(6, "0"))
