"""keep_raw: every message of the last hours as a recording, and trouble that stays aside."""

import pytest
import structlog

from condmon.capture import read
from condmon.capture.files import Notes
from condmon.config import load
from condmon.engine.decode import Arrived
from condmon.engine.records import Link, Samples
from condmon.mqtt.inbox import Inbox, Taken
from condmon.store.rawkeep import RawKeep
from tests.daemons import HEAD, MILL
from tests.fakes import FakeClock

TOPIC = "pier/mill-1/bearing"


@pytest.fixture
def clock():
    return FakeClock()


@pytest.fixture
def raw(tmp_path, clock):
    return RawKeep(tmp_path, 2 * 3600, clock.now_us, clock.monotonic_s)


def taken(clock: FakeClock, *numbers: int) -> Taken:
    inbox = Inbox(clock.now_us)
    inbox.put_action(Link(1, True))
    inbox.put([Arrived(clock.now_us(), TOPIC, b'{"v": 40, "n": %d}' % n) for n in numbers],
              [1] * len(numbers))  # fmt: skip
    return inbox.take(100, 0.0)


def names(folder):
    return sorted(path.name for path in folder.glob("raw-*"))


def test_kept_hours_can_be_replayed(tmp_path, clock, raw):
    for n in range(4):
        raw.keep(taken(clock, 2 * n, 2 * n + 1))
        clock.pass_s(1800)
    assert ["raw-2025-11-25T01.jsonl.gz", "raw-2025-11-25T02.jsonl.gz"] == names(tmp_path)
    (tmp_path / "condmon.toml").write_text(HEAD.format(url="mqtt://127.0.0.1") + MILL)
    settings = load(tmp_path / "condmon.toml").settings
    batches = read(sorted(tmp_path.glob("raw-*")), settings, Notes())
    values = [value for batch in batches for run in batch if isinstance(run, Samples)
              for value in run.value[run.signal == 1].tolist()]  # fmt: skip
    assert list(range(8)) == values


def test_hours_older_than_asked_are_removed(tmp_path, clock, raw):
    for n in range(6):
        raw.keep(taken(clock, n))
        clock.pass_s(3600)
    assert [f"raw-2025-11-25T{hour:02}.jsonl.gz" for hour in (3, 4, 5, 6)] == names(tmp_path)


def test_start_in_the_same_hour_begins_a_new_part(tmp_path, clock, raw):
    raw.keep(taken(clock, 1))
    RawKeep(tmp_path, 3600, clock.now_us, clock.monotonic_s).keep(taken(clock, 2))
    assert ["raw-2025-11-25T01.2.jsonl.gz", "raw-2025-11-25T01.jsonl.gz"] == names(tmp_path)


def test_nothing_is_kept_unless_asked_for(tmp_path, clock):
    RawKeep(tmp_path, 0, clock.now_us, clock.monotonic_s).keep(taken(clock, 1))
    assert [] == names(tmp_path)


def test_folder_that_takes_nothing_is_told_once_and_stops_nobody(tmp_path, clock):
    raw = RawKeep(tmp_path / "missing", 3600, clock.now_us, clock.monotonic_s)
    with structlog.testing.capture_logs() as lines:
        raw.keep(taken(clock, 1))
        raw.keep(taken(clock, 2))
    assert ["raw messages cannot be kept"] == [line["event"] for line in lines]
