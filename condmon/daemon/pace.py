"""Which time the turn's beacon tells. Pure but for the clock it is given.

Mostly: now. While the broker hands out what waited there, the beacons follow the newest own time
that came, so that those messages are judged at their own time and not thrown out as late.
"""

from collections.abc import Sequence

import numpy as np

from condmon.clock import Clock
from condmon.engine.records import NO_TIME, SECOND_US, Link, Record, Samples

WAIT_FOR_LINK_S = 10.0  # after a start or a loss of the link, time waits this long for it
QUIET_S = 0.5  # so long nothing but turns without a message: there was no more waiting
CATCH_UP_S = 60.0  # longer it must not take
OWN_TIME_WITHIN_S = 2.0  # by then a backlog has shown a time of its own, or has none
AHEAD_US = 5 * SECOND_US  # a source further ahead than this has a wrong clock


class Pace:
    """Decides each beacon. Begins by waiting for the link, as after every start.

    Parameters
    ----------
    clock : Clock
        What time it is.
    lateness_s : float
        How long a second stays open: what is no older than this need not be waited for.
    """

    def __init__(self, clock: Clock, lateness_s: float) -> None:
        self._clock = clock
        self._near_us = round(lateness_s * SECOND_US)
        self._state = "waiting"
        self._since_s = clock.monotonic_s()
        self._quiet_s: float | None = None  # since when turns bring nothing
        self._reached_us: int | None = None

    @property
    def behind(self) -> bool:
        """Whether beacons lag on purpose."""
        return self._state != "live"

    def beacon_us(self, records: Sequence[Record], messages: int, last_us: int) -> int | None:
        """Time of the beacon after these records; None while none may be told yet."""
        now_us, now_s = self._clock.now_us(), self._clock.monotonic_s()
        for record in records:
            if isinstance(record, Link):
                self._begin("catching up" if record.up else "waiting", now_s)
        # not since the last message: its turn may have taken long on a slow disk, and only then did
        # the broker hear that it may send more
        if messages:
            self._quiet_s = None
        elif self._quiet_s is None:
            self._quiet_s = now_s
        if self._state == "catching up":
            newest = _newest_own(records)
            if newest is not None:
                self._reached_us = max(newest, self._reached_us or newest)
        if self._over(now_us, now_s):
            self._state = "live"
        if self._state == "live":
            return max(now_us, last_us)
        held_us = max(min(self._reached_us or 0, now_us), last_us)
        return held_us or None

    def _begin(self, state: str, now_s: float) -> None:
        if state == "waiting" and self._state == "waiting":
            return  # one hole, however many failed attempts
        self._state, self._since_s, self._quiet_s = state, now_s, None
        self._reached_us = None

    def _over(self, now_us: int, now_s: float) -> bool:
        if self._state == "waiting":
            return now_s - self._since_s >= WAIT_FOR_LINK_S
        if self._state == "live":
            return True
        quiet_s = 0.0 if self._quiet_s is None else now_s - self._quiet_s
        if quiet_s >= QUIET_S or now_s - self._since_s >= CATCH_UP_S:
            return True
        if self._reached_us is None:
            return now_s - self._since_s >= OWN_TIME_WITHIN_S
        return self._reached_us >= now_us - self._near_us


def _newest_own(records: Sequence[Record]) -> int | None:
    """Newest own time of samples whose source is not ahead; None without any."""
    newest: int | None = None
    for record in records:
        if not isinstance(record, Samples) or not len(record):
            continue
        own = record.own_us[record.own_us != NO_TIME]
        arrived = record.arrived_us[record.own_us != NO_TIME]
        own = own[own <= arrived + AHEAD_US]
        if len(own):
            newest = max(int(np.max(own)), newest or 0)
    return newest
