"""What is removed, in which order, and what never is."""

import pytest

from condmon.engine.records import SECOND_US
from condmon.history import retention
from condmon.history.places import Places
from condmon.history.recordings import streams
from condmon.history.retention import MB, Keep, prune, removable, used
from condmon.history.seal import seal
from tests.recorded import DAY_US, MONDAY_US, STATES, Folder

DAYS = ["2025-11-24", "2025-11-25", "2025-11-26", "2025-11-27", "2025-11-28"]
NOW_US = MONDAY_US + 4 * DAY_US + 12 * 3600 * SECOND_US  # Friday noon
FOREVER_S = 3650 * 86_400.0


@pytest.fixture(scope="module")
def four_days(tmp_path_factory):
    folder = Folder(tmp_path_factory.mktemp("four") / "store", batch_s=7200)
    for number in range(4):
        folder.day(MONDAY_US + number * DAY_US, every_s=3600)
    folder.begin_day(MONDAY_US + 4 * DAY_US)
    seal(folder.path, STATES)
    folder.snapshot()
    return folder.closed()


@pytest.fixture
def folder(tmp_path, four_days):
    folder = four_days.copied(tmp_path / "store")
    yield folder
    folder.recorder.close()


def recordings(folder: Folder) -> list[str]:
    return [stream.day for stream in streams(folder.path)]


def whats(gone: list[retention.Gone]) -> list[str]:
    return [one.what for one in gone]


def budget(folder: Folder, less: int, **more: int) -> Keep:
    """A budget that is passed by so many bytes."""
    keep = Keep(FOREVER_S, FOREVER_S, 1, **more)
    removable(Places(folder.path), NOW_US)  # whoever looks into the journal leaves files beside it
    filler = folder.path / "filler"
    filler.write_bytes(b"")
    filler.write_bytes(bytes(MB - used(folder.path) + less))
    return keep


def test_recordings_go_by_age_and_their_samples_stay(folder):
    gone = prune(folder.path, Keep(FOREVER_S, 2 * 86_400.0), NOW_US)
    assert [(f"recording stream-{day}", "recordings are not kept longer") for day in DAYS[:2]] == [
        one[:2] for one in gone
    ]
    assert DAYS[2:] == recordings(folder)
    assert DAYS[:4] == Places(folder.path).days()
    assert [] == list(folder.path.glob(f"stream-{DAYS[0]}*"))


def test_samples_go_by_age_and_their_hours_stay(folder):
    gone = prune(folder.path, Keep(2 * 86_400.0, FOREVER_S), NOW_US)
    assert [f"samples of {day}" for day in DAYS[:2]] == whats(gone)
    places = Places(folder.path)
    assert (DAYS[2:4], DAYS[2:4]) == (places.days("samples"), places.days("minutes"))
    assert DAYS[:4] == places.days("hours")


def test_yesterday_and_today_stay_whatever_age_is_asked_for(folder):
    prune(folder.path, Keep(FOREVER_S, 0.0), NOW_US)
    assert DAYS[3:] == recordings(folder)


def test_what_a_restart_would_read_stays(folder, tmp_path):
    other = Folder(tmp_path / "other", batch_s=7200)
    other.day(MONDAY_US, every_s=3600)
    other.snapshot()
    for number in (1, 2, 3):
        other.day(MONDAY_US + number * DAY_US, every_s=3600)
    other.begin_day(MONDAY_US + 4 * DAY_US)
    seal(other.path, STATES)
    assert [DAYS[0]] == [stream.day for stream in removable(Places(other.path), NOW_US)]
    other.recorder.close()


def test_without_a_snapshot_or_a_journal_no_recording_goes(folder):
    (folder.path / "journal.db").unlink()
    assert [] == prune(folder.path, Keep(FOREVER_S, 0.0), NOW_US)
    assert DAYS == recordings(folder)


def test_what_is_not_sealed_stays(folder):
    Places(folder.path).put_sealed({f"stream-{DAYS[0]}.db": 10**6})
    assert [DAYS[0]] == [stream.day for stream in removable(Places(folder.path), NOW_US)]


def test_a_recording_the_mirror_lacks_outlives_its_age(folder):
    taken = streams(folder.path)[0].last
    gone = prune(folder.path, Keep(FOREVER_S, 0.0, mirrored=taken), NOW_US)
    assert [f"recording stream-{DAYS[0]}"] == whats(gone)


def test_under_the_budget_nothing_goes(folder):
    assert [] == prune(folder.path, budget(folder, -10), NOW_US)


def test_the_budget_takes_raw_messages_first_and_no_more_than_needed(folder):
    raws = [folder.path / f"raw-2025-11-2{n}T03.jsonl.gz" for n in (7, 6)]
    for raw in raws:
        raw.write_bytes(bytes(5000))
    gone = prune(folder.path, budget(folder, 5001), NOW_US)
    assert ["raw messages of 2025-11-26T03", "raw messages of 2025-11-27T03"] == whats(gone)
    assert {"the disk budget is used up"} == {one.why for one in gone}


def test_the_budget_takes_everything_it_may_in_the_stated_order(folder):
    raw = folder.path / "raw-2025-11-27T03.jsonl.gz"
    raw.write_bytes(bytes(5000))
    taken = streams(folder.path)[0].last
    gone = prune(folder.path, budget(folder, 10**9, mirrored=taken), NOW_US + 29 * DAY_US)
    assert (
        [
            "raw messages of 2025-11-27T03",
            f"recording stream-{DAYS[0]}",
            *(f"samples of {day}" for day in DAYS[:2]),  # older than a month by then
            *(f"recording stream-{day}" for day in DAYS[1:4]),
            *(f"samples of {day}" for day in DAYS[2:4]),
            *(f"hours of {day}" for day in DAYS[:4]),
        ]
        == whats(gone)
    )
    assert 3 == sum("the mirror has not taken this yet" in one.why for one in gone)
    assert [DAYS[4]] == recordings(folder)
    assert (folder.path / "journal.db").exists()


def test_the_entry_names_what_went_and_why(folder):
    gone = prune(folder.path, Keep(2 * 86_400.0, 2 * 86_400.0), NOW_US)
    text = retention.summary(gone)
    assert text.startswith("removed from the data folder: recording stream-2025-11-24, recording")
    assert "recordings are not kept longer; samples of 2025-11-24" in text


def test_ended_while_removing_the_next_run_removes_the_rest(folder):
    class StoppedError(Exception):
        pass

    left = [3]

    def step(_: str) -> None:
        left[0] -= 1
        if not left[0]:
            raise StoppedError

    keep = Keep(2 * 86_400.0, 2 * 86_400.0)
    with pytest.raises(StoppedError):
        prune(folder.path, keep, NOW_US, step)
    prune(folder.path, keep, NOW_US)
    assert (DAYS[2:], DAYS[2:4]) == (recordings(folder), Places(folder.path).days())
