"""Sealing: every sample once and bit for bit, whatever stops the work and however late it came."""

import errno
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
import structlog

from condmon.engine.records import BAD, GOOD, NO_TIME, RETAINED, SECOND_US, SUSPECT, samples
from condmon.errors import StoreError
from condmon.history import seal as sealing
from condmon.history.places import Places
from condmon.history.recordings import finished, streams
from condmon.history.seal import once, pending, seal, summary
from condmon.history.sheets import DamagedError, Sheet, write
from tests.recorded import DAY_US, MONDAY, MONDAY_US, STATES, TUESDAY, Folder, one, same, seconds

TUESDAY_US = MONDAY_US + DAY_US


@pytest.fixture
def folder(tmp_path):
    folder = Folder(tmp_path / "store", batch_s=7200)
    yield folder
    folder.recorder.close()


def rows(path: Path, signal: str):
    with Sheet(path) as sheet:
        table = sheet.read(signal)
    return list(zip(seconds(table["time"]), table["value"].tolist(), table["quality"].tolist(),
                    strict=True))  # fmt: skip


def monday(folder: Folder, machine: str = "mill-1") -> Path:
    return Places(folder.path).sheet("samples", MONDAY, machine)


def test_the_day_being_written_is_not_sealed(folder):
    folder.day(MONDAY_US)
    assert [] == finished(folder.path)
    assert not pending(folder.path)
    assert [] == seal(folder.path, STATES)


def test_a_finished_day_is_sealed_per_machine(folder):
    folder.day(MONDAY_US)
    folder.begin_day(TUESDAY_US)
    assert pending(folder.path)
    [done] = seal(folder.path, STATES)
    assert ("stream-2025-11-24.db", 432, 1) == tuple(
        getattr(done, name) for name in ("recording", "rows", "days")
    )
    assert (0.0, 20.0, GOOD) == rows(monday(folder), "temp")[0]
    assert (600.000007, 1.0, GOOD) == rows(monday(folder), "power")[1]
    assert (600.000003, 29.9, GOOD) == rows(monday(folder, "mill-2"), "temp")[1]
    assert [144, 144] == [len(rows(monday(folder), name)) for name in ("temp", "power")]
    assert not pending(folder.path)
    assert [] == seal(folder.path, STATES)


def test_slices_change_nothing(folder, tmp_path):
    folder.day(MONDAY_US, every_s=1800)
    folder.begin_day(TUESDAY_US)
    shutil.copytree(folder.path, tmp_path / "other")
    seal(folder.path, STATES)
    seal(tmp_path / "other", STATES, rows_a_slice=7)
    assert monday(folder).read_bytes() == Places(tmp_path / "other").sheet(
        "samples", MONDAY, "mill-1").read_bytes()  # fmt: skip


def test_what_a_broker_kept_is_suspect_of_a_measure_and_good_of_a_state(folder):
    folder.take(MONDAY_US + 5, one(0, MONDAY_US, 21.0, mark=RETAINED))
    folder.take(MONDAY_US + 6, one(1, MONDAY_US, 1.0, mark=RETAINED))
    folder.take(MONDAY_US + 7, one(0, MONDAY_US + 1, float("nan"), quality=BAD))
    folder.begin_day(TUESDAY_US)
    seal(folder.path, STATES)
    assert [SUSPECT, BAD] == [quality for _, _, quality in rows(monday(folder), "temp")]
    assert [GOOD] == [quality for _, _, quality in rows(monday(folder), "power")]


def test_a_repeat_is_kept_once(folder):
    for after_s in (1, 2):
        folder.take(MONDAY_US + after_s * SECOND_US,
                    one(2, MONDAY_US + after_s * SECOND_US, 30.0, own_us=MONDAY_US))  # fmt: skip
    folder.begin_day(TUESDAY_US)
    seal(folder.path, STATES)
    assert [(0.0, 30.0, GOOD)] == rows(monday(folder, "mill-2"), "temp")


def test_a_late_sample_joins_its_sealed_day(folder):
    folder.day(MONDAY_US)
    folder.begin_day(TUESDAY_US)
    seal(folder.path, STATES)
    late_us = MONDAY_US + 86_399 * SECOND_US  # after the last one of Monday
    folder.take(TUESDAY_US + 40 * SECOND_US, one(2, TUESDAY_US + 40 * SECOND_US, 99.5, late_us))
    folder.begin_day(TUESDAY_US + DAY_US)
    before = monday(folder).read_bytes()
    seal(folder.path, STATES)
    assert 145 == len(rows(monday(folder, "mill-2"), "temp"))
    assert (86_399.0, 99.5, GOOD) == rows(monday(folder, "mill-2"), "temp")[-1]
    assert before == monday(folder).read_bytes()  # of the other machine: not touched
    minutes = Places(folder.path).sheet("minutes", MONDAY, "mill-2")
    with Sheet(minutes) as sheet:
        assert 99.5 == sheet.read("temp")["last"][-1]


def test_what_comes_late_for_a_day_whose_samples_are_gone_leaves_its_hours(folder):
    folder.day(MONDAY_US)
    folder.begin_day(TUESDAY_US)
    seal(folder.path, STATES)
    places = Places(folder.path)
    hours = places.sheet("hours", MONDAY, "mill-2")
    with Sheet(hours) as sheet:
        before = sheet.read("temp")
    assert 24 == len(before["time"])
    for kind in ("samples", "minutes"):
        places.sheet(kind, MONDAY, "mill-2").unlink()  # kept long enough
    late_us = MONDAY_US + 86_399 * SECOND_US
    folder.take(TUESDAY_US + 40 * SECOND_US, one(2, TUESDAY_US + 40 * SECOND_US, 99.5, late_us))
    folder.begin_day(TUESDAY_US + DAY_US)
    for _ in range(2):
        seal(folder.path, STATES)
        with Sheet(hours) as sheet:
            assert same(tuple(before.values()), tuple(sheet.read("temp").values()))
        assert [(86_399.0, 99.5, GOOD)] == rows(monday(folder, "mill-2"), "temp")
        part = places.part(MONDAY, "mill-2", streams(folder.path)[1], 0)  # as after a kill
        with Sheet(monday(folder, "mill-2")) as sheet:
            write(part, "mill-2", [("temp", sheet.read("temp"))])


def test_minutes_and_hours_are_those_of_the_good_samples(folder):
    folder.take(MONDAY_US + 1, one(0, MONDAY_US, 20.0))
    folder.take(MONDAY_US + 9 * SECOND_US, one(0, MONDAY_US + 9 * SECOND_US, 26.0))
    folder.take(MONDAY_US + 12 * SECOND_US, one(0, MONDAY_US + 12 * SECOND_US, 99.0, quality=BAD))
    folder.take(MONDAY_US + 70 * SECOND_US, one(0, MONDAY_US + 70 * SECOND_US, 23.0))
    folder.begin_day(TUESDAY_US)
    seal(folder.path, STATES)
    places = Places(folder.path)
    with Sheet(places.sheet("minutes", MONDAY, "mill-1")) as sheet:
        table = sheet.read("temp")
    assert [0.0, 60.0] == seconds(table["time"])
    told = {name: column.tolist() for name, column in table.items() if name != "time"}
    assert [2, 1] == told["count"]
    assert ([20.0, 23.0], [26.0, 23.0]) == (told["least"], told["greatest"])
    assert ([23.0, 23.0], [26.0, 23.0]) == (told["mean"], told["last"])
    with Sheet(places.sheet("hours", MONDAY, "mill-1")) as sheet:
        assert (3, 23.0) == (sheet.read("temp")["count"][0], sheet.read("temp")["mean"][0])


def test_a_signal_without_a_good_value_has_no_minutes():
    table = {"time": np.array([1], np.int64), "value": np.array([np.nan]),
             "quality": np.array([BAD], np.uint8)}  # fmt: skip
    assert 0 == len(summary(table, 60_000_000)["time"])


def test_the_same_time_and_value_is_one_sample_and_arrival_orders_the_rest():
    table = {"time": np.array([5, 3, 5, 5, 5]), "value": np.array([2.0, 1.0, 1.0, 2.0, np.nan]),
             "quality": np.array([0, 1, 2, 3, 2], np.uint8)}  # fmt: skip
    assert same(([3, 5, 5, 5], [1.0, 2.0, 1.0, np.nan], [1, 0, 2, 2]), tuple(once(table).values()))


SEALS = """
import os, sys
from pathlib import Path
from condmon.history.seal import seal
STATES = frozenset({("mill-1", "power")})
"""
STOPPED_AT = (
    SEALS
    + """
import pyarrow.parquet, shutil
for number in range(1, int(sys.argv[2]) + 1):
    folder = Path(f"{sys.argv[1]}-{number}")
    shutil.copytree(sys.argv[1], folder)
    if not (child := os.fork()):  # nothing runs beside it yet: as good as a process begun anew
        left = [number]
        def step(name):
            left[0] -= 1
            if not left[0]:
                os.kill(os.getpid(), 9)
        seal(folder, STATES, step, rows_a_slice=300)
        os._exit(0)
    print(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]))
"""
)


def history_of(folder: Path) -> dict[str, bytes]:
    root = folder / "history"
    return {str(path.relative_to(root)): path.read_bytes() for path in sorted(root.rglob("*"))
            if path.is_file()}  # fmt: skip


def test_ended_at_any_step_the_next_run_ends_in_the_same_files(folder, tmp_path):
    folder.day(MONDAY_US)
    late_us = TUESDAY_US + 40 * SECOND_US
    folder.begin_day(TUESDAY_US)
    seal(folder.path, STATES)
    folder.take(late_us, one(2, late_us, 99.5, MONDAY_US + 86_399 * SECOND_US))
    folder.day(TUESDAY_US + 60 * SECOND_US, every_s=3600)
    folder.begin_day(TUESDAY_US + DAY_US)
    whole = tmp_path / "whole"
    shutil.copytree(folder.path, whole)
    steps: list[str] = []
    seal(whole, STATES, steps.append, rows_a_slice=300)
    assert 20 < len(steps)
    words = [sys.executable, "-c", STOPPED_AT, str(folder.path), str(len(steps))]
    ends = subprocess.run(words, check=True, timeout=120, capture_output=True, text=True).stdout
    assert ["-9"] * len(steps) == ends.split()
    for number, step in enumerate(steps, 1):
        stopped = Path(f"{folder.path}-{number}")
        seal(stopped, STATES, rows_a_slice=300)
        assert history_of(whole) == history_of(stopped), step


def test_a_disk_that_refuses_leaves_all_recordings_and_the_next_run_seals(folder):
    noise = np.random.default_rng(1).normal(size=8640).tolist()
    at_us = [MONDAY_US + n * 10 * SECOND_US for n in range(8640)]
    folder.take(
        at_us[-1],
        samples([(0, at, NO_TIME, v, 0, 0, 0) for at, v in zip(at_us, noise, strict=True)]),
    )
    folder.begin_day(TUESDAY_US)

    def small_files() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, 40_000))
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)

    words = [sys.executable, "-c", SEALS + "seal(Path(sys.argv[1]), STATES)", str(folder.path)]
    out = subprocess.run(
        words, check=False, timeout=60, preexec_fn=small_files, capture_output=True
    )
    assert 1 == out.returncode
    assert b"OSError" in out.stderr
    assert ["stream-2025-11-24.db", "stream-2025-11-25.db"] == [
        stream.path.name for stream in streams(folder.path)
    ]
    assert 1 == len(seal(folder.path, STATES))
    assert 8640 == len(rows(monday(folder), "temp"))


def test_a_recording_that_cannot_be_opened_for_a_moment_is_not_taken_for_sealed(
    folder, tmp_path, monkeypatch
):
    folder.day(MONDAY_US, every_s=7200)
    folder.begin_day(TUESDAY_US)
    connect = sqlite3.connect
    for number in range(1, 6):
        copy = tmp_path / f"copy{number}"
        shutil.copytree(folder.path, copy)
        opened = iter(range(1, 99))

        def refuses(where, *rest, opened=opened, number=number, **named):
            if MONDAY in where and next(opened) == number:
                raise sqlite3.OperationalError("disk I/O error")
            return connect(where, *rest, **named)

        monkeypatch.setattr(sqlite3, "connect", refuses)
        with suppress(StoreError):
            seal(copy, STATES)
        monkeypatch.undo()
        seal(copy, STATES)
        sealed = Places(copy).sheet("samples", MONDAY, "mill-1")
        assert 12 == len(rows(sealed, "temp")), number


def test_a_place_that_cannot_be_written_is_an_error_that_names_it(folder):
    folder.day(MONDAY_US, every_s=7200)
    folder.begin_day(TUESDAY_US)
    (folder.path / "history").write_text("in the way")
    with pytest.raises(OSError, match="history"):
        seal(folder.path, STATES)
    assert pending(folder.path)


def test_a_damaged_sealed_file_is_set_aside_and_the_rest_goes_on(folder):
    folder.day(MONDAY_US)
    folder.begin_day(TUESDAY_US)
    seal(folder.path, STATES)
    path = monday(folder, "mill-2")
    values = pq.ParquetFile(path).metadata.row_group(0).column(3)
    content = bytearray(path.read_bytes())
    content[values.data_page_offset + 60] ^= 0xFF
    path.write_bytes(bytes(content))
    late_us = TUESDAY_US + 40 * SECOND_US
    folder.take(late_us, one(2, late_us, 99.5, MONDAY_US + 86_399 * SECOND_US))
    folder.begin_day(TUESDAY_US + DAY_US)
    with structlog.testing.capture_logs() as lines:
        seal(folder.path, STATES)
    assert ["sealed file is damaged and was set aside"] == [line["event"] for line in lines]
    assert bytes(content) == path.with_name(path.name + ".damaged").read_bytes()
    assert [(86_399.0, 99.5, GOOD)] == rows(path, "temp")


def test_a_sealed_file_that_the_disk_refuses_for_a_moment_is_not_set_aside(folder, monkeypatch):
    folder.day(MONDAY_US)
    folder.begin_day(TUESDAY_US)
    seal(folder.path, STATES)
    folder.take(TUESDAY_US + 2 * SECOND_US, one(0, TUESDAY_US, 77.0, MONDAY_US + 5 * SECOND_US))
    folder.begin_day(TUESDAY_US + DAY_US)

    def refuses(*_args, **_named):
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(pq.ParquetFile, "read_row_group", refuses)
    with pytest.raises(StoreError, match="Check the disk; the file stays as it is"):
        seal(folder.path, STATES)
    monkeypatch.undo()
    seal(folder.path, STATES)
    assert 144 <= len(rows(monday(folder), "temp"))
    assert [] == list(folder.path.rglob("*.damaged"))


def test_a_damaged_batch_is_left_out_and_named(folder):
    folder.day(MONDAY_US)
    folder.begin_day(TUESDAY_US)
    folder.recorder.close()
    db = sqlite3.connect(folder.path / "stream-2025-11-24.db")
    db.execute("UPDATE batches SET content = x'434d01' WHERE offset = 2")
    db.commit()
    db.close()
    with structlog.testing.capture_logs() as lines:
        seal(folder.path, STATES)
    assert [2] == [line["offset"] for line in lines if "damaged" in line["event"]]
    assert 144 - 12 == len(rows(monday(folder), "temp"))


def test_a_recording_without_its_tables_is_an_error_in_words(folder, monkeypatch):
    folder.day(MONDAY_US, every_s=7200)
    folder.begin_day(TUESDAY_US)
    found = finished(folder.path)
    folder.recorder.close()
    (folder.path / "stream-2025-11-24.db").write_bytes(b"no database" * 99)
    monkeypatch.setattr(sealing, "finished", lambda _: found)
    with pytest.raises(StoreError, match="cannot be read"):
        seal(folder.path, STATES)


def test_a_file_that_reads_back_otherwise_is_refused(tmp_path):
    table = {"time": np.array([1, 2]), "value": np.array([1.0, 2.0]),
             "quality": np.zeros(2, np.uint8)}  # fmt: skip
    path = tmp_path / "day.parquet"
    assert 2 == write(path, "mill-1", [("temp", table)])
    other = pq.read_table(path)
    place = other.schema.get_field_index("value_number")
    other = other.set_column(place, "value_number", [[1, 3]])
    told = pq.ParquetFile(path).metadata.metadata
    pq.write_table(other.replace_schema_metadata(told), path)
    with Sheet(path) as sheet, pytest.raises(DamagedError, match="temp reads back otherwise"):
        sheet.verify()


def test_a_clock_put_back_a_day_seals_both_files_into_the_day_they_tell(folder):
    folder.day(TUESDAY_US, every_s=7200)
    folder.begin_day(TUESDAY_US + DAY_US)  # Wednesday, by a clock that was wrong
    folder.clock._at_us = TUESDAY_US + 86_000 * SECOND_US
    folder.take(folder.clock.now_us(), one(0, folder.clock.now_us(), 77.0))
    folder.begin_day(TUESDAY_US + DAY_US + 3600 * SECOND_US)
    names = [stream.path.name for stream in streams(folder.path)]
    assert ["stream-2025-11-25.db", "stream-2025-11-26.db", "stream-2025-11-25.2.db",
            "stream-2025-11-26.2.db"] == names  # fmt: skip
    seal(folder.path, STATES)
    tuesday = Places(folder.path).sheet("samples", TUESDAY, "mill-1")
    assert 13 == len(rows(tuesday, "temp"))
    assert 77.0 == rows(tuesday, "temp")[-1][1]
