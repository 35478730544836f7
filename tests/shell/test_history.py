"""Reading back: sealed days and what is not sealed as one, as samples or as a chart."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from condmon.engine.records import BAD, SECOND_US
from condmon.history.seal import seal
from condmon.history.store import History
from tests.recorded import DAY_US, MONDAY_US, SIGNALS, STATES, Folder, one, same, seconds

HOUR_US = 3600 * SECOND_US
TUESDAY_US, WEDNESDAY_US = MONDAY_US + DAY_US, MONDAY_US + 2 * DAY_US
ALL_US = (MONDAY_US, MONDAY_US + 3 * DAY_US)
DAYS = ["2025-11-24", "2025-11-25", "2025-11-26", "2025-11-27"]


@pytest.fixture(scope="module")
def three_days(tmp_path_factory):
    folder = Folder(tmp_path_factory.mktemp("three") / "store")
    for start_us in (MONDAY_US, TUESDAY_US, WEDNESDAY_US):
        folder.day(start_us)
    folder.begin_day(MONDAY_US + 3 * DAY_US)
    return folder.closed()


@pytest.fixture
def folder(tmp_path, three_days):
    folder = three_days.copied(tmp_path / "store")
    yield folder
    folder.recorder.close()


@pytest.fixture
def history(folder):
    return History(folder.path, SIGNALS)


def test_sealing_changes_nothing_that_is_read(folder, history):
    before = [history.read(s.machine, s.name, *ALL_US) for s in SIGNALS]
    assert [432, 432, 432] == [len(reading.at_us) for reading in before]
    seal(folder.path, STATES)
    assert all(same(a, history.read(s.machine, s.name, *ALL_US))
               for a, s in zip(before, SIGNALS, strict=True))  # fmt: skip


READS = """
import resource, signal, sys
from pathlib import Path
from condmon.history.recordings import streams
from condmon.history.store import History
from tests.recorded import SIGNALS
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))  # less than readers put beside a file
folder = Path(sys.argv[1])
rows = len(History(folder, SIGNALS).read("mill-1", "temp", 0, 2**60).at_us)
print(*(stream.day for stream in streams(folder)), rows)
"""


def read_on_a_full_disk(folder: Path) -> list[str]:
    """Days and samples that a process finds which can write next to nothing."""
    words = [sys.executable, "-c", READS, str(folder)]
    out = subprocess.run(words, check=True, timeout=60, capture_output=True, text=True)
    assert "Traceback" not in out.stderr
    return out.stdout.splitlines()[-1].split()  # the log before it


def test_a_disk_without_room_for_what_readers_put_beside_a_recording_is_read_all_the_same(folder):
    assert [*DAYS, "432"] == read_on_a_full_disk(folder.path)


def test_a_recording_whose_end_lies_beside_it_is_not_read_without_it(folder, tmp_path):
    folder.take(folder.clock.now_us(), one(0, folder.clock.now_us(), 55.0))
    other = tmp_path / "other"  # as after a kill
    other.mkdir()
    for path in folder.path.glob("stream-*"):
        if not path.name.endswith("-shm"):
            (other / path.name).write_bytes(path.read_bytes())
    [log_of] = other.glob("*-wal")
    assert log_of.stat().st_size > 0
    assert [*DAYS[:3], "432"] == read_on_a_full_disk(other)


def test_a_span_ends_before_its_end(folder, history):
    for _ in range(2):
        reading = history.read("mill-1", "temp", MONDAY_US + 600 * SECOND_US,
                               MONDAY_US + 1800 * SECOND_US)  # fmt: skip
        assert ([600.0, 1200.0], [20.1, 20.2]) == (seconds(reading.at_us), reading.value.tolist())
        seal(folder.path, STATES)


def test_sealed_and_unsealed_join_at_midnight(folder, history):
    seal(folder.path, STATES)
    now_us = folder.clock.now_us() + SECOND_US
    folder.take(now_us, one(0, now_us, 55.0))
    reading = history.read("mill-1", "temp", now_us - HOUR_US, now_us + 1)
    assert ([34.3, 55.0], 1) == (reading.value[-2:].tolist(), int(reading.at_us[-1] == now_us))


def test_a_late_sample_is_read_at_its_time_before_and_after_it_is_sealed(folder, history):
    seal(folder.path, STATES)
    now_us = MONDAY_US + 3 * DAY_US + 40 * SECOND_US
    late_us = now_us - 300 * SECOND_US
    folder.take(now_us, one(2, now_us, 99.5, late_us))
    for _ in range(2):
        reading = history.read("mill-2", "temp", late_us, late_us + 1)
        assert [99.5] == reading.value.tolist()
        folder.begin_day(MONDAY_US + 4 * DAY_US)
        seal(folder.path, STATES)


def test_nothing_is_an_empty_reading(history):
    assert [0, 0, 0] == [len(c) for c in history.read("mill-1", "temp", 0, 1)]
    assert [0, 0, 0] == [len(c) for c in history.read("mill-9", "x", *ALL_US)]


def test_a_signal_that_left_the_configuration_is_still_read(folder):
    seal(folder.path, STATES)
    assert 432 == len(History(folder.path, ()).read("mill-1", "temp", *ALL_US).at_us)


@pytest.mark.parametrize("points", [3, 72, 500, 10_000])
def test_a_chart_keeps_both_ends_of_every_column(folder, history, points):
    spans = []
    for _ in range(2):
        strip = history.read("mill-1", "temp", *ALL_US, points=points)
        spans.append(strip)
        assert points >= len(strip.low) - 1
        assert strip.from_us <= MONDAY_US
        assert strip.from_us + len(strip.low) * strip.step_us >= ALL_US[1]
        assert (20.0, 34.3) == (np.nanmin(strip.low), np.nanmax(strip.high))
        reading = history.read("mill-1", "temp", *ALL_US)
        cell = (reading.at_us - strip.from_us) // strip.step_us
        assert np.all(strip.low[cell] <= reading.value)
        assert np.all(strip.high[cell] >= reading.value)
        assert len(set(cell.tolist())) == int(np.sum(~np.isnan(strip.low)))
        seal(folder.path, STATES)
    assert same(spans[0], spans[1])  # out of minutes or hours as out of samples


def test_a_chart_holds_a_value_as_long_as_it_counts(folder, history):
    for _ in range(2):
        strip = history.read("mill-1", "temp", MONDAY_US + 700 * SECOND_US,
                             MONDAY_US + 1300 * SECOND_US, points=600,
                             hold_us=150 * SECOND_US)  # fmt: skip
        known = ~np.isnan(strip.low)
        assert (20.1, 20.2) == (strip.low[0], strip.high[500])
        assert (51, False, True, True) == (known[:51].sum(), known[51], known[500], known[599])
        seal(folder.path, STATES)


def test_bad_values_are_read_with_their_quality_and_not_drawn(folder, history):
    now_us = folder.clock.now_us() + SECOND_US
    folder.take(now_us, one(0, now_us, float("nan"), quality=BAD))
    assert [BAD] == history.read("mill-1", "temp", now_us, now_us + 1).quality.tolist()
    strip = history.read("mill-1", "temp", now_us, now_us + SECOND_US, points=1)
    assert np.all(np.isnan(strip.low))


def test_minutes_and_hours_of_sealed_days(folder, history):
    seal(folder.path, STATES)
    hours = history.hours("mill-1", "temp", MONDAY_US + 22 * HOUR_US, TUESDAY_US + 2 * HOUR_US)
    assert [22.0, 23.0, 24.0, 25.0] == [s / 3600 for s in seconds(hours.at_us)]
    assert [6, 6, 6, 6] == hours.samples.tolist()
    assert [33.2, 33.8, 20.0, 20.6] == hours.least.tolist()
    minutes = history.minutes("mill-1", "temp", MONDAY_US, MONDAY_US + HOUR_US)
    assert [0.0, 600.0, 1200.0, 1800.0, 2400.0, 3000.0] == seconds(minutes.at_us)
    assert minutes.last.tolist() == minutes.mean.tolist() == minutes.greatest.tolist()


def test_a_span_of_all_machines_is_in_order_of_time(folder, history):
    before = history.span(*ALL_US, ["mill-1", "mill-2"])
    seal(folder.path, STATES)
    names, columns = history.span(*ALL_US, ["mill-1", "mill-2"])
    assert [("mill-1", "power"), ("mill-1", "temp"), ("mill-2", "temp")] == names == before[0]
    assert 3 * 432 == len(columns.at_us)
    assert np.all(np.diff(columns.at_us) >= 0)
    assert same(before[1], columns)


def test_what_may_hold_samples(folder, history, tmp_path):
    assert (MONDAY_US, MONDAY_US + 4 * DAY_US) == history.span_us()
    assert None is History(tmp_path, SIGNALS).span_us()
    assert ["mill-1", "mill-2"] == history.machines(*ALL_US)
