"""Recordings: what is read, and what is told of files that are not what they seem."""

import gzip
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from condmon import capture
from condmon.capture import write_capture, write_recording
from condmon.engine.records import RETAINED, SECOND_US, Samples, Stray
from condmon.errors import UsageError
from tests.captures import AT_US, FIVE, TIMES, arrived, beacons, day, read, rows
from tests.generated import generated


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
    many = [arrived(at, payload=f"{20 + at * 7919 % 97 / 10}".encode()) for at in range(12_000)]
    write_recording(path, many)
    path.write_bytes(path.read_bytes()[:-2000])
    records, notes = read(path)
    assert notes.cut
    assert 4_000 < len(rows(records)) < 12_000
    assert "cut off" in notes.warnings[-1]


def test_a_line_without_end_does_not_fill_the_memory(tmp_path):
    path = tmp_path / "r.jsonl"
    write_recording(path, FIVE)
    path.write_bytes(path.read_bytes() + b'{"at": 1, "topic": "' + b"x" * 9_000_000)
    records, notes = read(path)
    assert (5, True) == (len(rows(records)), notes.cut)
    assert "line 6 is longer than" in notes.warnings[-1]


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


def test_several_files_follow_each_other_by_their_first_time(tmp_path):
    write_recording(tmp_path / "a.jsonl", [arrived(100, payload=b"3")])
    write_capture(tmp_path / "b.parquet", day(TIMES[0]))
    write_recording(tmp_path / "c.jsonl.zst", [arrived(50, payload=b"9")])
    records, notes = read(tmp_path / "a.jsonl", tmp_path / "b.parquet", tmp_path / "c.jsonl.zst")
    assert [1.0, 2.0, 3.0, 9.0, 3.0] == [row[2] for row in rows(records)]
    assert notes.bytes_read == notes.bytes_total


@generated(usual=60, per_mille=30)
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
