"""When time passes for samples that came without beacons: at the last of every five minutes."""

import numpy as np

from condmon.engine.records import I64, SECOND_US

HOUR_US = 3600 * SECOND_US
BEACON_US = 300 * SECOND_US
"""Inside a batch; less than the hole at which nobody was watching."""


def beacons(at_us: I64) -> I64:
    """The last arrival in every five minutes that has one; `at_us` of shape (n,) is in order."""
    part = at_us // BEACON_US
    last = np.append(np.flatnonzero(np.diff(part)), len(at_us) - 1)
    found: I64 = at_us[last]
    return found
