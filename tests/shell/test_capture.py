"""Recordings and captures: what is read, and what is told of files that are not what they seem."""

import gzip
import json
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st

from condmon import capture
from condmon.capture import Notes, write_capture, write_recording
from condmon.engine.decode import Arrived
from condmon.engine.records import (
    NO_TIME,
    QUALITIES,
    REASONS,
    RETAINED,
    SECOND_US,
    Beacon,
    Samples,
    Stray,
)
from condmon.engine.settings import Machine, Settings, Signal
from condmon.errors import UsageError
from tests.engine.test_decode import _NoCalendar

AT_US = 1_763_964_000_000_000  # 2025-11-24T06:00:00Z
SIGNALS = (
    Signal(0, "mill-1", "temp", "a/temp", "measure", unit="Cel"),
    Signal(1, "mill-1", "power", "a/power", "state", words_on=("on",), words_off=("off",)),
    Signal(2, "mill-2", "temp", "b/temp", "measure", unit="Cel"),
)
SETTINGS = Settings(
    "x", _NoCalendar(), (Machine("mill-1", "M1", SIGNALS[:2]), Machine("mill-2", "M2", SIGNALS[2:]))
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


@pytest.mark.parametrize("name", ["day.jsonl", "day.jsonl.gz", "day.jsonl.zst", "named-otherwise"])
def test_a_recording_is_read_whatever_its_packing_and_name(tmp_path, name):
    assert 5 == write_recording(tmp_path / name, FIVE)
    records, notes = read(tmp_path / name)
    assert [(at, 0, 21.5, "good", "") for at in (0, 0.4, 1.2, 2.0, 60)] == rows(records)
    assert ([], False, AT_US + 60 * SECOND_US) == (notes.warnings, notes.cut, notes.last_us)
    assert notes.bytes_read == notes.bytes_total == (tmp_path / name).stat().st_size


def test_time_passes_before_the_first_message_of_a_new_second(tmp_path):
    write_recording(tmp_path / "day.jsonl", FIVE)
    records, _ = read(tmp_path / "day.jsonl")
    seen = [len(r) if isinstance(r, Samples) else (r.at_us - AT_US) / SECOND_US for r in records]
    assert [2, 0.4, 1.2, 2, 2.0, 60.0, 1, 60.0] == seen


def test_beacons_only_go_forward_when_lines_do_not(tmp_path):
    write_recording(tmp_path / "day.jsonl", [arrived(at) for at in (10, 3, 12, 11.5, 13.5)])
    records, _ = read(tmp_path / "day.jsonl")
    told = beacons(records)
    assert sorted(told) == told
    assert [10, 3, 12, 11.5, 13.5] == [row[0] for row in rows(records)]


def test_a_hole_of_hours_gets_no_beacons_inside(tmp_path):
    write_recording(tmp_path / "day.jsonl", [arrived(0), arrived(7200)])
    records, _ = read(tmp_path / "day.jsonl")
    assert {7200.0} == set(beacons(records))


def test_seconds_and_rfc_3339_text_payloads_and_base64_and_flags(tmp_path):
    lines = [
        {"at": 1763964000.25, "topic": "a/temp", "payload": "21.5", "qos": 1, "retain": True},
        {"at": "2025-11-24T07:00:01+01:00", "topic": "a/temp", "payload_b64": "MjIuNQ=="},
        {"at": 1763964002, "topic": "elsewhere", "payload": "1"},
    ]
    assert 3 == write_recording(tmp_path / "r.jsonl", lines)
    records, notes = read(tmp_path / "r.jsonl")
    assert [(0.25, 0, 21.5, "good", ""), (1.0, 0, 22.5, "good", "")] == rows(records)
    assert [RETAINED, 0] == [m for r in records if isinstance(r, Samples) for m in r.mark.tolist()]
    assert [Stray(AT_US + 2 * SECOND_US, "elsewhere")] == [r for r in records if type(r) is Stray]
    assert [] == notes.warnings


BAD_LINES = [
    ("oops", "not a line of JSON"),
    ("[1]", "not a JSON object"),
    ('{"at": 1, "payload": "1"}', "has no topic"),
    ('{"at": 1, "topic": 5, "payload": "1"}', "has no topic"),
    ('{"at": "soon", "topic": "a/temp", "payload": "1"}', "neither seconds since 1970"),
    ('{"at": true, "topic": "a/temp", "payload": "1"}', "neither seconds since 1970"),
    ('{"at": 1e300, "topic": "a/temp", "payload": "1"}', "neither seconds since 1970"),
    ('{"topic": "a/temp", "payload": "1"}', "neither seconds since 1970"),
    ('{"at": 1, "topic": "a/temp"}', "has neither a payload"),
    ('{"at": 1, "topic": "a/temp", "payload": 5}', "has neither a payload"),
    ('{"at": 1, "topic": "a/temp", "payload_b64": "%%"}', "has neither a payload"),
]


@pytest.mark.parametrize(("line", "why"), BAD_LINES)
def test_a_bad_line_is_named_by_its_number_and_costs_no_other(tmp_path, line, why):
    good = '{"at": 1763964000, "topic": "a/temp", "payload": "21.5"}'
    path = tmp_path / "r.jsonl"
    path.write_text(f"{good}\n\n{line}\n{good}\n")
    records, notes = read(path)
    assert 2 == len(rows(records))
    assert (1, False) == (notes.lines_bad, notes.cut)
    assert [True] == [text.startswith(f"{path}:3: ") and why in text for text in notes.warnings]


def test_of_many_bad_lines_the_first_are_named_and_all_are_counted(tmp_path):
    path = tmp_path / "r.jsonl"
    path.write_text('{"at": 1, "topic": "a/temp", "payload": "1"}\n' + "oops\n" * 500)
    _, notes = read(path)
    assert (500, 21) == (notes.lines_bad, len(notes.warnings))


@pytest.mark.parametrize("name", ["cut.jsonl.gz", "cut.jsonl.zst"])
def test_a_packed_recording_that_was_cut_off_gives_what_came_before(tmp_path, name):
    path = tmp_path / name
    many = [arrived(at, payload=f"{20 + at * 7919 % 97 / 10}".encode()) for at in range(60_000)]
    write_recording(path, many)
    path.write_bytes(path.read_bytes()[:-2000])
    records, notes = read(path)
    assert notes.cut
    assert 40_000 < len(rows(records)) < 60_000
    assert "cut off" in notes.warnings[-1]


def test_half_a_line_at_the_end_is_told_as_cut_off(tmp_path):
    path = tmp_path / "r.jsonl"
    write_recording(path, FIVE)
    path.write_bytes(path.read_bytes()[:-20])
    records, notes = read(path)
    assert (4, True, 0) == (len(rows(records)), notes.cut, notes.lines_bad)
    assert ["the file was cut off after line 4" in text for text in notes.warnings] == [True]


def test_a_last_line_without_its_end_is_whole_if_it_reads(tmp_path):
    path = tmp_path / "r.jsonl"
    write_recording(path, FIVE)
    path.write_bytes(path.read_bytes()[:-1])
    records, notes = read(path)
    assert (5, False) == (len(rows(records)), notes.cut)


def _nothing(path):
    return path


def _folder(path):
    path.mkdir()
    return path


def _holding(content):
    def make(path):
        path.write_bytes(content)
        return path

    return make


NOTHING_WE_READ = [
    (_nothing, "there is no such file"),
    (_folder, "this is a folder"),
    (_holding(b""), "the file is empty"),
    (_holding(b" \n\n "), "nothing but blanks"),
    (_holding(bytes(range(256)) * 10), "neither a recording"),
    (_holding(b"some text\nof no use\n"), "neither a recording"),
    (_holding(b"{}\n{}\n"), "no line of it is a message"),
    (_holding(b"\x1f\x8b\x08\x00junk"), "compressed, but cut off or damaged"),
    (_holding(b"\x28\xb5\x2f\xfdjunk"), "compressed, but cut off or damaged"),
    (_holding(gzip.compress(b"PAR1" + b"\0" * 100)), "cannot be read as a capture"),
    (_holding(b"PAR1" + b"\0" * 100), "cannot be read as a capture"),
    (_holding(b"time,machine,signal\n1,a,b\n"), "has no column value"),
    (_holding(b"time,machine,signal,value\n"), "no rows"),
    (_holding(b"time,machine,signal,value\n1,a,b,2\n1,a\n"), "cannot be read as a capture: CSV"),
]


@pytest.mark.parametrize(("make", "why"), NOTHING_WE_READ)
def test_a_file_that_is_nothing_we_read_is_refused_in_words(tmp_path, make, why):
    path = make(tmp_path / "file")
    with pytest.raises(UsageError) as refused:
        read(path)
    assert str(refused.value).startswith(f"{path}: ")
    assert why in str(refused.value)


def test_a_wrong_row_of_a_csv_is_named_by_its_number(tmp_path):
    path = tmp_path / "c.csv"
    path.write_text("time,machine,signal,value\n1763964000,mill-1,temp,1\nnever,mill-1,temp,2\n")
    with pytest.raises(UsageError, match=r"row 2 of the capture: 'never' is no time"):
        read(path)
    path.write_text(
        "time,machine,signal,value,quality\n1,mill-1,temp,1,good\n1,mill-1,temp,2,fine\n"
    )
    with pytest.raises(UsageError, match=r"row 2 of the capture: 'fine' is no quality"):
        read(path)


def table(**columns):
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


@pytest.mark.parametrize("times", TIMES, ids=lambda t: f"{t.type} {t[1]}")
@pytest.mark.parametrize("name", ["c.parquet", "c.parquet.gz", "c.csv", "c.csv.gz"])
def test_captures_in_every_form_of_time_give_the_same_samples(tmp_path, name, times):
    write_capture(tmp_path / name, day(times))
    records, notes = read(tmp_path / name)
    assert [
        (0.0, 0, 1.0, "good", ""),
        (1.5, 0, 2.0, "good", ""),
        (3.0, 0, 3.0, "good", ""),
    ] == rows(records)
    assert [NO_TIME] * 3 == records[0].own_us.tolist()
    assert ([], [3.0]) == (notes.warnings, beacons(records))


def test_rows_are_sorted_by_time_and_equal_times_keep_their_order(tmp_path):
    mixed = table(
        time=pa.array([AT_US + 2_000_000, AT_US, AT_US, AT_US + 1_000_000], pa.timestamp("us")),
        machine=["mill-1"] * 4, signal=["temp"] * 4, value=[4.0, 1.0, 2.0, 3.0],
    )  # fmt: skip
    write_capture(tmp_path / "c.parquet", mixed)
    assert [1.0, 2.0, 3.0, 4.0] == [row[2] for row in rows(read(tmp_path / "c.parquet")[0])]


def test_values_of_states_may_be_numbers_or_words_and_odd_ones_are_refused(tmp_path):
    words = ["on", "OFF", "1", "0", "2", "maybe", "", "21.5", "21.5 C", "nan", "1,000", "6 bar"]
    signal = ["power"] * 6 + ["temp"] * 6
    n = len(words)
    path = tmp_path / "c.csv"
    write_capture(path, table(time=[AT_US] * n, machine=["mill-1"] * n, signal=signal, value=words))
    records, _ = read(path)
    assert [
        (1.0, "good", ""),
        (0.0, "good", ""),
        (1.0, "good", ""),
        (0.0, "good", ""),
        (None, "bad", "unknown word"),
        (None, "bad", "unknown word"),
        (None, "nodata", "says it has no value"),
        (21.5, "good", ""),
        (21.5, "good", ""),
        (None, "bad", "not finite"),
        (None, "bad", "ambiguous number"),
        (None, "bad", "unit of another quantity"),
    ] == [row[2:] for row in rows(records)]
    assert ((5, b"maybe"), (9, b"nan"), (10, b"1,000"), (11, b"6 bar")) == records[0].raw


def test_numbers_that_are_none_and_told_qualities_are_taken_over(tmp_path):
    told = table(
        time=[AT_US] * 7, machine=["mill-1"] * 7, signal=["temp"] * 7,
        value=pa.array([1.0, None, float("nan"), float("inf"), 5.0, 6.0, 7.0]),
        quality=["good", "good", None, "good", "suspect", "bad", "nodata"],
    )  # fmt: skip
    write_capture(tmp_path / "c.parquet", told)
    expected = [
        (1.0, "good", ""),
        (None, "nodata", "says it has no value"),
        (None, "bad", "not finite"),
        (None, "bad", "not finite"),
        (5.0, "suspect", ""),
        (None, "bad", "recorded as bad"),
        (None, "nodata", "says it has no value"),
    ]
    assert expected == [row[2:] for row in rows(read(tmp_path / "c.parquet")[0])]
    numbered = told.set_column(4, "quality", pa.array([0, 0, 0, 0, 1, 2, 3], pa.uint8()))
    write_capture(tmp_path / "n.parquet", numbered)
    assert expected == [row[2:] for row in rows(read(tmp_path / "n.parquet")[0])]


def test_unknown_names_and_rows_without_time_are_counted_and_named(tmp_path):
    odd = table(
        time=pa.array([AT_US, AT_US, AT_US, None, AT_US], pa.timestamp("us")),
        machine=["mill-1", "mill-9", "mill-1", "mill-1", None],
        signal=["temp", "temp", "Temp", "temp", "temp"],
        value=pa.array([True, False, True, True, True]),
    )
    write_capture(tmp_path / "c.parquet", odd)
    records, notes = read(tmp_path / "c.parquet")
    assert [(0.0, 0, 1.0, "good", "")] == rows(records)
    assert 3 == notes.rows_unknown
    for text in ("mill-9/temp (1 rows)", "mill-1/Temp (1 rows)", "(no name) (1 rows)"):
        assert text in notes.warnings[0]
    assert "1 rows have no time" in notes.warnings[1]


def test_a_capture_comes_by_the_hour_with_time_passing_at_least_every_five_minutes(tmp_path):
    at = AT_US + np.arange(0, 7200, 30) * SECOND_US
    n = len(at)
    whole = table(time=pa.array(at, pa.timestamp("us")), machine=["mill-1"] * n,
                  signal=["temp"] * n, value=np.arange(n, dtype=float))  # fmt: skip
    write_capture(tmp_path / "c.parquet", whole)
    batches = list(capture.read([tmp_path / "c.parquet"], SETTINGS, Notes()))
    assert [120, 120] == [len(batch[0]) for batch in batches]
    told = beacons([record for batch in batches for record in batch])
    assert 24 == len(told)
    assert 300 == max(np.diff(told))
    assert 7170 == told[-1]


def test_row_groups_are_read_one_after_another_unless_their_times_overlap(tmp_path):
    def group(times, value):
        n = len(times)
        return table(
            time=pa.array([AT_US + t * SECOND_US for t in times], pa.timestamp("us")),
            machine=["mill-1"] * n,
            signal=["temp"] * n,
            value=[float(value)] * n,
        )

    groups = [group([20, 21], 3), group([0, 5], 1), group([3, 9], 2)]
    with pq.ParquetWriter(tmp_path / "c.parquet", groups[0].schema) as writer:
        for part in groups:
            writer.write_table(part)
    batches = list(capture.read([tmp_path / "c.parquet"], SETTINGS, Notes()))
    assert [[1.0, 2.0, 1.0, 2.0], [3.0, 3.0]] == [batch[0].value.tolist() for batch in batches]


def test_a_damaged_row_group_is_left_out_and_told(tmp_path):
    n = 2000
    rng = np.random.default_rng(1)
    path = tmp_path / "c.parquet"
    schema = None
    with path.open("wb") as sink:
        writer = None
        for part in range(2):
            at = AT_US + (part * 10_000 + np.arange(n)) * SECOND_US
            piece = table(time=pa.array(at, pa.timestamp("us")), machine=["mill-1"] * n,
                          signal=["temp"] * n, value=rng.normal(size=n))  # fmt: skip
            schema = schema or piece.schema
            writer = writer or pq.ParquetWriter(sink, schema, compression="zstd")
            writer.write_table(piece)
        writer.close()
    content = bytearray(path.read_bytes())
    start = pq.ParquetFile(path).metadata.row_group(1).column(3).dictionary_page_offset
    content[start : start + 400] = b"\xff" * 400
    path.write_bytes(content)
    records, notes = read(path)
    assert n == len(rows(records))
    assert notes.cut
    assert "damaged inside" in notes.warnings[0]


def test_several_files_follow_each_other_by_their_first_time(tmp_path):
    write_recording(tmp_path / "a.jsonl", [arrived(100, payload=b"3")])
    write_capture(tmp_path / "b.parquet", day(TIMES[0]))
    write_recording(tmp_path / "c.jsonl.zst", [arrived(50, payload=b"9")])
    records, notes = read(tmp_path / "a.jsonl", tmp_path / "b.parquet", tmp_path / "c.jsonl.zst")
    assert [1.0, 2.0, 3.0, 9.0, 3.0] == [row[2] for row in rows(records)]
    assert notes.bytes_read == notes.bytes_total


@effort(max_examples=60, deadline=None)
@given(content=st.one_of(st.binary(max_size=300), st.text(max_size=300).map(str.encode)),
       head=st.sampled_from([b"", b"PAR1", b"\x1f\x8b", b'{"at":1,"topic":"a","payload":"1"}\n',
                             b"time,machine,signal,value\n"]))  # fmt: skip
def test_any_file_is_read_or_refused_in_words(tmp_path_factory, content, head):
    path = tmp_path_factory.mktemp("any") / "file"
    path.write_bytes(head + content)
    told = ""
    records: list = []
    try:
        records, notes = read(path)
        told = " ".join(notes.warnings)
    except UsageError as error:
        told = str(error)
    assert records or str(path) in told


def test_a_written_line_reads_back_as_the_same_message():
    for message in (arrived(0.123456), arrived(1, payload=b"\xff\x00"), arrived(2, retain=True)):
        line = capture.recording.line_of(message)
        assert message == capture.recording.parse(line)
        assert {"at", "topic", "qos", "retain"} < set(json.loads(line))
