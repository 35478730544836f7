"""Captures: tables of samples in all their forms, by columns."""

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from condmon import capture
from condmon.capture import Notes, write_capture
from condmon.engine.records import NO_TIME, SECOND_US
from condmon.errors import UsageError
from tests.captures import AT_US, SETTINGS, TIMES, beacons, day, read, rows, table


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


def test_a_wrong_time_or_quality_column_is_refused_in_words(tmp_path):
    path = tmp_path / "c.parquet"
    write_capture(path, day(pa.array([True, False, True])))
    with pytest.raises(UsageError, match="the column time is of type bool, which is no time"):
        read(path)
    odd = day(TIMES[0]).append_column("quality", pa.array([0, 7, 0]))
    write_capture(path, odd)
    with pytest.raises(UsageError, match="row 2 of the capture: 7 is no quality"):
        read(path)


def test_names_and_words_packed_as_dictionaries_read_the_same(tmp_path):
    packed = table(
        time=pa.array(["2025-11-24T06:00:00Z", "2025-11-24T06:00:01+00", None]).dictionary_encode(),
        machine=pa.array(["mill-1"] * 3).dictionary_encode(),
        signal=pa.array(["power"] * 3).dictionary_encode(),
        value=pa.array(["on", "0", "on"]).dictionary_encode(),
    )
    write_capture(tmp_path / "c.parquet", packed)
    records, notes = read(tmp_path / "c.parquet")
    assert [(0.0, 1, 1.0, "good", ""), (1.0, 1, 0.0, "good", "")] == rows(records)
    assert ["1 rows have no time" in text for text in notes.warnings] == [True]


def test_a_capture_of_unknown_names_alone_gives_no_records_and_says_so(tmp_path):
    stranger = day(TIMES[0]).set_column(1, "machine", pa.array(["mill-9"] * 3))
    write_capture(tmp_path / "c.parquet", stranger)
    records, notes = read(tmp_path / "c.parquet")
    assert ([], 3) == (records, notes.rows_unknown)
