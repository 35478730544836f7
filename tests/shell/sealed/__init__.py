"""What `first.parquet` holds: a day in the first form of sealed files, to be read for ever."""

import numpy as np

from condmon.engine.records import BAD, GOOD, SECOND_US, SUSPECT
from tests.recorded import MONDAY_US

MACHINE = "mill-1"


def columns(signal: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Time, value and quality of a signal as they were written."""
    n = np.arange(300)
    at_us = MONDAY_US + n * 60 * SECOND_US + n * n % 1001
    quality = np.full(300, GOOD, np.uint8)
    value = {
        "temp": (n * 37 % 1000) / 10,
        "power": (n % 3 > 0).astype(float),
        "vibration": n / 7,  # no decimal fraction
        "pulses": 65_500.0 + n,
    }[signal]
    if signal == "temp":
        value[17], quality[17], quality[18] = np.nan, BAD, SUSPECT
    return at_us, value, quality


SIGNALS = ("power", "pulses", "temp", "vibration")
