"""The form of sealed files: short, the same to the bit, and readable for ever."""

import json
import shutil
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from condmon import capture
from condmon.capture.decimals import put_together, taken_apart
from condmon.clock import SiteCalendar
from condmon.engine.records import BAD, GOOD, NODATA, SECOND_US, Samples
from condmon.engine.settings import Machine, Settings, Signal
from condmon.errors import StoreError
from condmon.history import sheets
from condmon.history.places import Places
from condmon.history.seal import MINUTE_US, join, summary
from condmon.history.sheets import Sheet, write
from tests.recorded import DAY_US, MONDAY, MONDAY_US, Folder, same
from tests.shell import sealed

FIRST = Path(sealed.__file__).with_name("first.parquet")
KINDS = {"power": "state", "pulses": "counter", "temp": "measure", "vibration": "measure"}
SETTINGS = Settings(
    "",
    SiteCalendar("UTC"),
    (Machine(sealed.MACHINE, "", tuple(
        Signal(n, sealed.MACHINE, name, "", KINDS[name]) for n, name in enumerate(sealed.SIGNALS)
    )),),
)  # fmt: skip


def bits(value: np.ndarray) -> list[int]:
    return np.ascontiguousarray(value, np.float64).view(np.int64).tolist()


def table(value, quality=None) -> sheets.Table:
    value = np.asarray(value, np.float64)
    at_us = MONDAY_US + np.arange(len(value)) * SECOND_US + np.arange(len(value)) ** 2 % 977
    quality = np.full(len(value), GOOD, np.uint8) if quality is None else quality
    return {"time": at_us, "value": value, "quality": quality}


@pytest.mark.parametrize(
    ("values", "places"),
    [
        ([21.5, 21.25, -0.07], 2),
        ([65_535.0, 0.0, 2.0**52], 0),
        ([1e-9, 0.123456789], 9),
        ([1 / 3, 2.0**0.5], 0),
        ([0.1, float("nan"), 1 / 3, -0.0, float("inf"), -1e300, 5e-324], 1),
        ([], 0),
    ],
)
def test_numbers_come_back_to_the_bit_with_as_few_places_as_do(values, places):
    value = np.array(values, np.float64)
    number, found, back = taken_apart(value)
    again = put_together(number, np.full(len(value), found, np.uint8), back, value)
    assert (places, bits(value)) == (found, bits(again))


def test_every_decimal_a_sensor_may_send_is_a_whole_number():
    rng = np.random.default_rng(7)
    for places in range(7):
        value = rng.integers(-(10**9), 10**9, 2000) / 10.0**places
        number, found, back = taken_apart(value)
        assert (places, True) == (found, bool(back.all()))
        assert bits(value) == bits(number / 10.0**places)


def test_odd_numbers_beside_decimals_are_kept_as_they_are(tmp_path):
    odd = [20.1, float("nan"), -0.0, 1 / 3, float("inf"), 20.2, float("nan")]
    odd[6] = np.array([0x7FF8_0000_0000_0123]).view(np.float64)[0]  # NaN with a mark in it
    told = table(odd, np.array([0, BAD, 0, 0, 0, 0, NODATA], np.uint8))
    write(tmp_path / "day.parquet", "m", [("a", told), ("b", table([1.0, 2.0]))])
    with Sheet(tmp_path / "day.parquet") as sheet:
        again = sheet.read("a")
    assert list(told) == list(again)
    assert bits(told["value"]) == bits(again["value"])
    assert same((told["time"], told["quality"]), (again["time"], again["quality"]))


def test_short_signals_share_a_row_group_and_a_long_one_has_its_own(tmp_path):
    lengths = {"a": 400, "b": 599, "c": 2, "d": 5000, "e": 1}
    rng = np.random.default_rng(3)
    signals = {name: table(rng.integers(0, 999, n) / 10) for name, n in lengths.items()}
    assert 6002 == write(tmp_path / "day.parquet", "m", signals.items(), together_rows=1000)
    told = pq.ParquetFile(tmp_path / "day.parquet").metadata
    groups = [told.row_group(number) for number in range(told.num_row_groups)]
    assert [999, 2, 5000, 1] == [group.num_rows for group in groups]
    with Sheet(tmp_path / "day.parquet") as sheet:
        for name in ("e", "b", "d", "a", "c", "b"):
            assert same(tuple(signals[name].values()), tuple(sheet.read(name).values()))
        assert 0 == len(sheet.read("unheard of")["time"])


def test_times_and_numbers_are_binary_packed_the_rest_is_coded(tmp_path):
    write(tmp_path / "day.parquet", "m", [("a", table([1.5, 2.5]))])
    told = pq.ParquetFile(tmp_path / "day.parquet").metadata.row_group(0)
    columns = {told.column(n).path_in_schema: told.column(n) for n in range(told.num_columns)}
    assert ["time", "machine", "signal", "value_number", "value_places", "value", "quality"] == (
        list(columns)
    )
    assert {"ZSTD"} == {column.compression for column in columns.values()}
    packed = [n for n, column in columns.items() if "DELTA_BINARY_PACKED" in column.encodings]
    assert ["time", "value_number"] == packed
    plain = pq.read_table(tmp_path / "day.parquet")  # as anyone else would read it
    number, places = (plain.column(name).to_numpy() for name in list(columns)[3:5])
    assert [1.5, 2.5] == (number / 10.0**places).tolist()


def test_a_day_of_a_thousand_short_signals_costs_hardly_more_than_one_of_a_few(tmp_path):
    for many in (10, 1000):
        signals = [(f"s{n:04d}", table(np.full(10_000 // many, 20.5))) for n in range(many)]
        write(tmp_path / f"{many}.parquet", "m", signals)
    few, most = ((tmp_path / f"{many}.parquet").stat().st_size for many in (10, 1000))
    assert most - few < 1000 * 80


def test_means_have_three_places_more_than_the_values():
    minutes = summary(table([0.1, 0.2, 0.2]), MINUTE_US)
    assert [0.1667] == minutes["mean"].tolist()
    odd = summary(table([0.1, 1 / 3]), MINUTE_US)
    assert [(0.1 + 1 / 3) / 2] == odd["mean"].tolist()


def test_a_day_of_the_first_form_reads_as_it_was_written():
    with Sheet(FIRST) as sheet:
        sheet.verify()
        assert list(sealed.SIGNALS) == sheet.signals
        for signal in sealed.SIGNALS:
            told, again = sealed.columns(signal), sheet.read(signal)
            assert ["time", "value", "quality"] == list(again)
            assert bits(told[1]) == bits(again["value"])
            assert same((told[0], told[2]), (again["time"], again["quality"]))


def test_a_late_sample_joins_a_day_of_the_first_form_and_takes_nothing_from_it(tmp_path):
    folder = Folder(tmp_path / "store", MONDAY_US + DAY_US)
    folder.recorder.close()
    places = Places(folder.path)
    target = places.sheet("samples", MONDAY, sealed.MACHINE)
    target.parent.mkdir(parents=True)
    shutil.copy(FIRST, target)
    late = table([77.7])
    late["time"][0] = MONDAY_US + 30 * SECOND_US
    part = target.parents[2] / "parts" / MONDAY / sealed.MACHINE / "0000000000000009-0000.parquet"
    write(part, sealed.MACHINE, [("temp", late)])
    join(places, MONDAY, sealed.MACHINE)
    told = json.loads(pq.ParquetFile(target).metadata.metadata[b"condmon"])
    assert (2, [4]) == (told["format"], told["groups"])
    with Sheet(target) as sheet:
        for signal in sealed.SIGNALS:
            expected = sealed.columns(signal)[1]
            if signal == "temp":
                expected = np.insert(expected, 1, 77.7)
            assert bits(expected) == bits(sheet.read(signal)["value"])


@pytest.mark.parametrize("form", ["first", "present"])
def test_a_sealed_day_of_either_form_replays_as_a_capture(tmp_path, form):
    path = FIRST
    if form == "present":
        path = tmp_path / "day.parquet"
        names = ("time", "value", "quality")
        write(path, sealed.MACHINE, [
            (s, dict(zip(names, sealed.columns(s), strict=True))) for s in sealed.SIGNALS
        ])  # fmt: skip
    notes = capture.Notes()
    runs = [r for batch in capture.read([path], SETTINGS, notes) for r in batch
            if isinstance(r, Samples)]  # fmt: skip
    assert [] == notes.warnings
    for signal in SETTINGS.signals:
        at_us, value, quality = sealed.columns(signal.name)
        mine = [(run, run.signal == signal.index) for run in runs]
        assert at_us.tolist() == [t for r, m in mine for t in r.arrived_us[m].tolist()]
        assert bits(value) == [v for r, m in mine for v in bits(r.value[m])]
        assert quality.tolist() == [q for r, m in mine for q in r.quality[m].tolist()]


def test_a_file_of_a_later_form_is_left_alone_and_the_reason_told(tmp_path, monkeypatch):
    folder = Folder(tmp_path / "store")
    folder.recorder.close()
    places = Places(folder.path)
    target = places.sheet("samples", MONDAY, "mill-1")
    monkeypatch.setattr(sheets, "FORMAT", 3)
    write(target, "mill-1", [("temp", table([1.0]))], lambda step: step)
    monkeypatch.undo()
    part = target.parents[2] / "parts" / MONDAY / "mill-1" / "0000000000000009-0000.parquet"
    write(part, "mill-1", [("temp", table([2.0]))])
    before = target.read_bytes()
    with pytest.raises(StoreError, match="written by a newer condmon"):
        join(places, MONDAY, "mill-1")
    assert before == target.read_bytes()
    assert part.exists()
