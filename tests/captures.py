"""A small configuration, and files read into rows that read easily in a test."""

from pathlib import Path

import numpy as np
import pyarrow as pa

from condmon import capture
from condmon.capture import Notes
from condmon.engine.decode import Arrived
from condmon.engine.records import QUALITIES, REASONS, SECOND_US, Beacon, Samples
from condmon.engine.settings import Machine, Settings, Signal
from tests.payloads import NoCalendar

AT_US = 1_763_964_000_000_000  # 2025-11-24T06:00:00Z
SIGNALS = (
    Signal(0, "mill-1", "temp", "a/temp", "measure", unit="Cel"),
    Signal(1, "mill-1", "power", "a/power", "state", words_on=("on",), words_off=("off",)),
    Signal(2, "mill-2", "temp", "b/temp", "measure", unit="Cel"),
)
SETTINGS = Settings(
    "x", NoCalendar(), (Machine("mill-1", "M1", SIGNALS[:2]), Machine("mill-2", "M2", SIGNALS[2:]))
)


def read(*paths: Path):
    """(records, notes) of files."""
    notes = Notes()
    records = [record for batch in capture.read(paths, SETTINGS, notes) for record in batch]
    return records, notes


def rows(records):
    """(seconds after AT_US, signal, value or None, quality, reason) of all samples."""
    return [
        (
            (at - AT_US) / SECOND_US,
            signal,
            None if np.isnan(value) else value,
            QUALITIES[quality],
            REASONS[reason],
        )
        for run in records
        if isinstance(run, Samples)
        for at, signal, value, quality, reason in zip(
            run.arrived_us.tolist(),
            run.signal.tolist(),
            run.value.tolist(),
            run.quality.tolist(),
            run.reason.tolist(),
            strict=True,
        )
    ]


def beacons(records):
    return [(record.at_us - AT_US) / SECOND_US for record in records if isinstance(record, Beacon)]


def arrived(after_s, topic="a/temp", payload=b"21.5", *, retain=False):
    return Arrived(AT_US + round(after_s * SECOND_US), topic, payload, retain)


FIVE = [arrived(at) for at in (0, 0.4, 1.2, 2.0, 60)]


def table(**columns: object):
    return pa.table(columns)


def day(times):
    return table(time=times, machine=["mill-1"] * 3, signal=["temp"] * 3, value=[1.0, 2.0, 3.0])


TIMES = [
    pa.array([AT_US, AT_US + 1_500_000, AT_US + 3_000_000], pa.timestamp("us", "UTC")),
    pa.array([AT_US, AT_US + 1_500_000, AT_US + 3_000_000], pa.timestamp("us")),
    pa.array([AT_US * 1000, AT_US * 1000 + 1_500_000_000, AT_US * 1000 + 3_000_000_000],
             pa.timestamp("ns", "Europe/Oslo")),
    pa.array([AT_US, AT_US + 1_500_000, AT_US + 3_000_000]),
    pa.array([AT_US // 1000, AT_US // 1000 + 1500, AT_US // 1000 + 3000]),
    pa.array([AT_US * 1000, AT_US * 1000 + 1_500_000_000, AT_US * 1000 + 3_000_000_000]),
    pa.array([1763964000.0, 1763964001.5, 1763964003.0]),
    pa.array(["2025-11-24T06:00:00Z", "2025-11-24T06:00:01.5Z", "2025-11-24T06:00:03Z"]),
    pa.array(["2025-11-24 06:00:00", "2025-11-24 06:00:01.5", "2025-11-24 06:00:03"]),
    pa.array(["2025-11-24T07:00:00+0100", "20251124T060001.5Z", "1763964003"]),
]  # fmt: skip
