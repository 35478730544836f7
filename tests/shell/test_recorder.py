"""The recorder: bit-exact, durable, one file a day, and it lives on beside damaged files."""

import sqlite3
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from condmon.engine import records as rec
from condmon.engine.settings import Signal
from condmon.errors import NewerError, StoreError
from condmon.store import packing
from condmon.store.recorder import Recorder
from tests.fakes import FakeClock

SIGNALS = tuple(Signal(i, "mill-1", f"s{i}", f"t/{i}", "measure") for i in range(5))
DAY_S = 86400


def run(*values: float, signal: int = 0) -> rec.Samples:
    at = 1_764_032_400_000_000
    return rec.samples([(signal, at + i, rec.NO_TIME, v, 0, 0, 0) for i, v in enumerate(values)])


def same(one: rec.Record, other: rec.Record) -> bool:
    if not isinstance(one, rec.Samples):
        return one == other
    assert isinstance(other, rec.Samples)
    columns = ("signal", "arrived_us", "own_us", "value", "quality", "mark", "reason")
    pairs = [(getattr(one, name), getattr(other, name)) for name in columns]
    equal = all(a.dtype == b.dtype and a.tobytes() == b.tobytes() for a, b in pairs)
    return equal and one.raw == other.raw


def all_of(recorder: Recorder, after: int = 0) -> list[tuple[int, list[rec.Record]]]:
    return list(recorder.read(after))


@pytest.fixture
def clock():
    return FakeClock()


@pytest.fixture
def recorder(tmp_path, clock):
    recorder = Recorder(tmp_path, SIGNALS, clock.now_us)
    yield recorder
    recorder.close()


@st.composite
def runs(draw: st.DrawFn) -> rec.Samples:
    n = draw(st.integers(0, 12))

    def column(dtype, elements):
        return draw(hnp.arrays(dtype, n, elements=elements))

    near = st.integers(1_764_000_000_000_000, 1_764_000_100_000_000)
    times = st.one_of(near, st.just(rec.NO_TIME), st.integers(-(2**63), 2**63 - 1))
    raw = (
        draw(st.lists(st.tuples(st.integers(0, n - 1), st.binary(max_size=20)), max_size=3))
        if n
        else []
    )
    return rec.Samples(
        column(np.int32, st.integers(0, 4)),
        column(np.int64, times),
        column(np.int64, times),
        column(np.float64, st.floats(allow_nan=True, allow_infinity=True)),
        column(np.uint8, st.integers(0, 3)),
        column(np.uint16, st.integers(0, 65535)),
        column(np.uint8, st.integers(0, 255)),
        tuple(raw),
    )


whole = st.integers(-(2**63), 2**63 - 1)
words = st.text(st.characters(), max_size=12)
controls = st.one_of(
    st.builds(rec.Beacon, whole),
    st.builds(rec.Gap, whole, whole, whole, words, whole, st.none() | words),
    st.builds(rec.Link, whole, st.booleans(), words),
    st.builds(rec.Stray, whole, words, words),
    st.builds(rec.Started, whole, words, words, st.booleans()),
    st.builds(rec.Action, whole, st.just("note"), words, words, words, words, words, whole),
    st.builds(rec.ModelOn, whole, words, words, words),
    st.builds(rec.Filed, whole, words, words, words, words, words),
)


@given(st.lists(st.one_of(runs(), controls), max_size=6))
@settings(max_examples=200, deadline=None)
def test_packing_gives_back_every_bit(records):
    order = np.array([7, 3, 9, 1, 300])
    back = np.full(301, -1)
    back[order] = np.arange(5)
    content = packing.pack(records, lambda column: order[column])
    again, left_out = packing.unpack(content, lambda column: back[column])
    assert 0 == left_out
    assert len(records) == len(again)
    assert all(same(a, b) for a, b in zip(records, again, strict=True))


@given(st.binary(max_size=80), st.integers(0, 200), st.integers(1, 255))
@settings(max_examples=200, deadline=None)
def test_foreign_or_changed_bytes_are_refused_in_words(noise, place, change):
    content = bytearray(packing.pack([rec.Beacon(1), run(1.0, 2.0)], lambda column: column))
    content[place % len(content)] ^= change
    for broken in (noise, bytes(content), bytes(content[: place % len(content)])):
        with pytest.raises(packing.PackingError):
            packing.unpack(broken, lambda column: column)


FULL = '"signal": 1, "since": 0, "timeless": 0, "own": 0, "quality": 0, "mark": 0, "reason": 0}}'


@pytest.mark.parametrize(
    "head",
    [
        '"a text"', "[]", "7", "null", "{}", "[" * 100_000,
        '{"records": 7}', '{"records": [["Nothing", {}]]}', '{"records": [["Beacon", {"no": 1}]]}',
        '{"records": [["Samples", 3]], "columns": "a text"}',
        '{"records": [["Samples", 3]], "columns": {"rows": 1e12, ' + FULL,
        '{"records": [["Samples", 3]], "columns": {"rows": Infinity, ' + FULL,
    ],
)  # fmt: skip
def test_whole_batch_with_a_head_that_makes_no_sense_is_refused_in_words(head):
    body = struct.pack("<I", len(head)) + head.encode() + bytes(24)
    for flags, inside in ((0, body), (1, zlib.compress(body))):
        content = struct.pack("<2sBBI", b"CM", 1, flags, zlib.crc32(inside)) + inside
        with pytest.raises(packing.PackingError, match=r"cannot be understood|more rows"):
            packing.unpack(content, lambda column: column)


def test_a_batch_of_2000_samples_takes_few_bytes():
    rows = [
        (i % 5, 10**15 + i * 500, 10**15 + i * 500 - 3000, 20 + (i % 7) / 10, 0, 0, 0)
        for i in range(2000)
    ]
    size = len(packing.pack([rec.samples(rows)], lambda column: column))
    assert size / 2000 < 8


def test_append_returns_growing_offsets_that_read_gives_back(recorder):
    first = recorder.append([rec.Beacon(1), run(1.0)])
    second = recorder.append([rec.Beacon(2)])
    assert first < second == recorder.last_offset()
    assert [first, second] == [offset for offset, _ in all_of(recorder)]
    assert [(second, [rec.Beacon(2)])] == all_of(recorder, after=first)


def test_offsets_go_on_after_a_restart_and_never_fall_behind_the_journal(recorder, tmp_path, clock):
    last = recorder.append([rec.Beacon(1)])
    recorder.close()
    assert last == Recorder(tmp_path, SIGNALS, clock.now_us).last_offset()
    ahead = Recorder(tmp_path, SIGNALS, clock.now_us, offset_min=last + 10)
    assert last + 11 == ahead.append([rec.Beacon(2)])
    ahead.close()


def test_each_day_has_its_file_and_reading_goes_through_all(recorder, tmp_path, clock):
    offsets = []
    for day in range(3):
        offsets.append(recorder.append([rec.Beacon(day)]))
        clock.pass_s(DAY_S)
    names = sorted(path.name for path in tmp_path.glob("stream-*.db"))
    assert ["stream-2025-11-25.db", "stream-2025-11-26.db", "stream-2025-11-27.db"] == names
    assert offsets == [offset for offset, _ in all_of(recorder)]


def test_a_clock_set_back_a_day_does_not_mix_the_order(recorder, tmp_path, clock):
    told = []
    for step in (DAY_S, -DAY_S, DAY_S, 0):
        told.append((recorder.append([rec.Beacon(len(told))]), [rec.Beacon(len(told))]))
        clock.pass_s(step)
    assert told == all_of(recorder)
    recorder.close()
    again = Recorder(tmp_path, SIGNALS, clock.now_us)
    told.append((again.append([rec.Beacon(9)]), [rec.Beacon(9)]))
    assert told == all_of(again)
    again.close()


def test_old_files_follow_signals_by_name_and_count_vanished_ones(recorder, tmp_path, clock):
    recorder.append([run(1.0, signal=1), run(2.0, signal=3), run(3.0, 4.0, signal=4)])
    recorder.close()
    changed = (
        Signal(0, "mill-1", "s4", "t", "measure"),
        Signal(1, "mill-1", "new", "t", "measure"),
        Signal(2, "mill-1", "s1", "t", "measure"),
    )
    later = Recorder(tmp_path, changed, clock.now_us)
    [(_, records)] = all_of(later)
    got = [(r.signal.tolist(), r.value.tolist()) for r in records if isinstance(r, rec.Samples)]
    assert [([2], [1.0]), ([0, 0], [3.0, 4.0])] == got
    assert 1 == later.counts.samples_of_vanished_signals
    offset = later.append([run(5.0, signal=1)])
    [(_, records)] = all_of(later, after=offset - 1)
    assert [1] == records[0].signal.tolist()
    later.close()


def damage(path: Path, kind: str) -> None:
    content = path.read_bytes()
    broken = {
        "zeroed": bytes(len(content)),
        "cut short": content[: len(content) // 2],
        "noise": b"\x17" * 5000,
        "zero tail": content[:4096] + bytes(len(content) - 4096),
    }[kind]
    path.write_bytes(broken)


@pytest.mark.parametrize("kind", ["zeroed", "cut short", "noise", "zero tail"])
def test_a_damaged_file_is_set_aside_named_and_the_rest_goes_on(tmp_path, clock, kind):
    recorder = Recorder(tmp_path, SIGNALS, clock.now_us)
    kept = recorder.append([rec.Beacon(1)])
    clock.pass_s(DAY_S)
    recorder.append([run(*np.arange(3000.0))])
    lost = recorder.append([run(*np.arange(3000.0))])
    recorder.close()
    damage(tmp_path / "stream-2025-11-26.db", kind)
    again = Recorder(tmp_path, SIGNALS, clock.now_us, offset_min=lost)
    after = again.append([rec.Beacon(3)])
    found = dict(all_of(again))
    assert [rec.Beacon(1)] == found[kept]
    assert [rec.Beacon(3)] == found[after]
    assert after > lost
    aside = [path.name for path in tmp_path.iterdir() if ".damaged-" in path.name]
    assert again.counts.files_set_aside
    assert set(again.counts.files_set_aside) <= set(aside)
    again.close()


def test_one_changed_batch_is_left_out_and_counted(recorder, tmp_path):
    first = recorder.append([rec.Beacon(1)])
    second = recorder.append([rec.Beacon(2)])
    recorder.close()
    db = sqlite3.connect(tmp_path / "stream-2025-11-25.db")
    with db:
        db.execute("UPDATE batches SET content = zeroblob(40) WHERE offset = ?", (first,))
    db.close()
    assert [(second, [rec.Beacon(2)])] == all_of(recorder)
    assert 1 == recorder.counts.batches_damaged


def test_an_empty_file_left_by_a_power_cut_is_used(tmp_path, clock):
    (tmp_path / "stream-2025-11-25.db").touch()
    recorder = Recorder(tmp_path, SIGNALS, clock.now_us)
    offset = recorder.append([rec.Beacon(1)])
    assert [(offset, [rec.Beacon(1)])] == all_of(recorder)
    recorder.close()


def test_a_folder_that_cannot_be_written_is_told_in_words(tmp_path, clock):
    (tmp_path / "file").touch()
    with pytest.raises(StoreError, match="cannot write the record"):
        Recorder(tmp_path / "file" / "folder", SIGNALS, clock.now_us)


def test_a_full_disk_is_told_and_writing_goes_on_when_there_is_room(recorder):
    first = recorder.append([rec.Beacon(1)])
    (pages,) = recorder._file.db.execute("PRAGMA page_count").fetchone()
    recorder._file.db.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(StoreError, match="full"):
        recorder.append([run(*np.random.default_rng(1).random(20_000))])
    second = recorder.append([rec.Beacon(2)])
    assert [first, second] == [offset for offset, _ in all_of(recorder)]


def test_a_file_removed_under_us_is_made_again(recorder, tmp_path):
    recorder.append([rec.Beacon(1)])
    for path in tmp_path.glob("stream-*"):
        path.unlink()
    offset = recorder.append([rec.Beacon(2)])
    assert [(offset, [rec.Beacon(2)])] == all_of(recorder)


def test_file_that_turns_bad_while_it_is_written_is_set_aside_and_the_batch_kept(
    recorder, tmp_path
):
    recorder.append([run(*np.arange(3000.0))])
    recorder._file.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    path = tmp_path / "stream-2025-11-25.db"
    path.write_bytes(b"\x17" * path.stat().st_size)
    recorder._file.db.execute("PRAGMA shrink_memory")
    offset = recorder.append([rec.Beacon(7)])
    assert [rec.Beacon(7)] == dict(all_of(recorder))[offset]
    assert recorder.counts.files_set_aside
    assert any(".damaged-" in name.name for name in tmp_path.iterdir())


def test_a_batch_that_reached_the_file_though_it_was_refused_is_there_once(
    tmp_path, clock, monkeypatch
):
    refusals = iter([True, True])
    connect = sqlite3.connect

    class Refusing(sqlite3.Connection):
        """Says that a write failed after it was done, as when the sync behind it fails."""

        def execute(self, sql, *values):
            done = super().execute(sql, *values)
            if "INTO batches" in sql and next(refusals, False):
                raise sqlite3.OperationalError("disk I/O error")
            return done

    monkeypatch.setattr(sqlite3, "connect", lambda *a, **k: connect(*a, factory=Refusing, **k))
    recorder = Recorder(tmp_path, SIGNALS, clock.now_us)
    for _ in range(2):
        with pytest.raises(StoreError):
            recorder.append([run(1.0), rec.Beacon(1)])
    offset = recorder.append([run(1.0), rec.Beacon(1)])
    last = recorder.append([rec.Beacon(2)])
    assert [offset, last] == [found for found, _ in all_of(recorder)]
    assert [] == recorder.counts.files_set_aside
    recorder.close()


def test_file_of_a_later_version_refuses_the_start_and_stays(tmp_path, clock):
    path = tmp_path / "stream-2025-11-25.db"
    db = sqlite3.connect(path)
    db.executescript("CREATE TABLE later (x); PRAGMA user_version = 9;")
    db.close()
    content = path.read_bytes()
    with pytest.raises(NewerError, match="Install that version again"):
        Recorder(tmp_path, SIGNALS, clock.now_us)
    assert content == path.read_bytes()


def test_offset_before_yesterday_ends_with_the_day_before(recorder, clock):
    offsets = []
    for day in range(4):
        offsets.append(recorder.append([rec.Beacon(day)]))
        clock.pass_s(DAY_S if day < 3 else 0)
    assert offsets[1] == recorder.offset_before_yesterday()
