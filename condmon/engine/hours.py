"""Hours in which nobody is expected, and local days, from the site's calendar. Pure."""

import numpy as np

from condmon.engine.records import I64, SECOND_US, Flags
from condmon.engine.settings import Settings

QUARTER_MIN = 15


def alone(settings: Settings, minute: I64) -> Flags:
    """Whether a minute (counted from 1970) lies in the unattended hours, shape (n,).

    The calendar is asked every quarter hour: no zone shifts in between.
    """
    quarters, place = np.unique(minute // QUARTER_MIN, return_inverse=True)
    of_week = settings.calendar.minute_of_week
    base = np.array([of_week(int(q) * QUARTER_MIN * 60 * SECOND_US) for q in quarters], np.int64)
    now = (base[place] + minute % QUARTER_MIN) % (7 * 1440)
    out = np.zeros(len(minute), bool)
    for begin, end in settings.unattended:
        out |= (now >= begin) & (now < end) if begin < end else (now >= begin) | (now < end)
    return out
