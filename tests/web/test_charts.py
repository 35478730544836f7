"""Rings, the past read from recordings, and charts drawn from them."""

import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from condmon.clock import SiteCalendar
from condmon.config import load
from condmon.engine import records as rec
from condmon.engine.records import SECOND_US, Beacon, samples
from condmon.engine.settings import Signal
from condmon.history.seal import seal
from condmon.store.recorder import Recorder
from condmon.web.charts import Band, chart, path, scale_of
from condmon.web.past import Past
from condmon.web.rings import Ring, Strip, merged
from condmon.web.wording import Wording, reading, usual
from tests.fakes import START_US, FakeClock
from tests.web.house import NOWHERE, TEXT

BEARING = Signal(0, "mill-1", "bearing", "t", "measure", unit="Cel", trip=55.0)
DOOR = Signal(1, "mill-1", "door", "t", "state", words_on=("closed",), words_off=("open",))


def add(ring: Ring, *rows: tuple[float, float]) -> None:
    """(second, value) of signal 0."""
    at_us = np.array([round(row[0] * SECOND_US) for row in rows], np.int64)
    ring.add(np.zeros(len(rows), np.int64), at_us, np.array([row[1] for row in rows]))


def strip(ring: Ring, from_s: float, to_s: float, buckets: int = 360, hold_s: float = 0) -> Strip:
    return ring.strip(0, round(from_s * SECOND_US), round(to_s * SECOND_US), buckets,
                      round(hold_s * SECOND_US))  # fmt: skip


def columns(found: Strip) -> list:
    return [
        None if math.isnan(low) else (round(low, 3), round(high, 3))
        for low, high in zip(found.low, found.high, strict=True)
    ]


def test_a_cell_keeps_least_and_greatest():
    ring = Ring(1, 10, 100)
    add(ring, (1000, 5), (1003, 9), (1009, 1), (1020, 4))
    assert [(1, 9), None, (4, 4)] == columns(strip(ring, 1000, 1030))


def test_every_spike_survives_the_reduction():
    ring = Ring(1, 10, 1000)
    add(ring, *[(10_000 + s, 20.0) for s in range(0, 5000, 10)], (12_345, 99.0))
    found = strip(ring, 10_000, 15_000, 20)
    assert len(found.low) <= 20
    assert 99.0 == np.nanmax(found.high)
    assert 20.0 == np.nanmin(found.low)


def test_a_value_is_held_as_long_as_it_counts_and_no_longer():
    ring = Ring(1, 10, 100)
    add(ring, (1000, 7), (1090, 8))
    held = columns(strip(ring, 1000, 1100, hold_s=30))
    assert [(7, 7)] * 4 + [None] * 5 + [(8, 8)] == held
    assert [(7, 7)] * 2 == columns(strip(ring, 1020, 1040, hold_s=30))


def test_nothing_is_told_of_what_has_not_come_yet():
    ring = Ring(1, 10, 100)
    add(ring, (1000, 7))
    assert [(7, 7), None, None] == columns(strip(ring, 1000, 1030, hold_s=1000))


def test_what_falls_out_of_the_ring_is_gone():
    ring = Ring(1, 10, 5)
    add(ring, (1000, 1))
    add(ring, (1060, 2))
    assert [None, (2, 2)] == [columns(strip(ring, s, s + 10))[0] for s in (1000, 1060)]
    add(ring, (1000, 3))
    assert [None] == columns(strip(ring, 1000, 1010))


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 400), st.integers(-50, 50)), min_size=1, max_size=60),
       st.integers(1, 40))  # fmt: skip
def test_a_strip_is_what_a_plain_loop_makes(rows, buckets):
    ring = Ring(1, 10, 1000)
    for start in range(0, len(rows), 7):
        add(ring, *[(5000 + s, v) for s, v in rows[start : start + 7]])
    found = strip(ring, 5000, 5410, buckets)
    for i, column in enumerate(columns(found)):
        a = found.from_us + i * found.step_us
        inside = [v for s, v in rows if a <= (5000 + s) * SECOND_US < a + found.step_us]
        assert column == ((min(inside), max(inside)) if inside else None)


@pytest.fixture
def recorded(tmp_path):
    """Two hours of a bearing, a batch a minute, over midnight of UTC."""
    file = tmp_path / "condmon.toml"
    file.write_text(TEXT.format(broker=NOWHERE, port=8470, web="", more=""))
    config = load(file)
    clock = FakeClock(START_US - 2 * 3600 * SECOND_US)
    (bearing,) = (s.index for s in config.settings.signals if s.name == "bearing_upper")
    recorder = Recorder(tmp_path / "store", config.settings.signals, clock.now_us)

    def record(value: float) -> None:
        at_us = clock.now_us()
        run = samples([(bearing, at_us, rec.NO_TIME, value, rec.GOOD, 0, 0)])
        recorder.append([run, Beacon(at_us)])
        clock.pass_s(60)

    for minute in range(120):
        record(30.0 if minute != 77 else 44.0)
    yield Past(config.settings, tmp_path / "store", clock), clock, bearing, record
    recorder.close()


def highest(past, signal, from_us, to_us) -> float:
    return float(np.nanmax(past.strips([signal], from_us, to_us, 360)[0].high))


def test_the_past_is_read_back_from_the_recordings(recorded):
    past, clock, bearing, _ = recorded
    past.read_all()
    now_us = clock.now_us()
    (found,) = past.strips([bearing], now_us - 7200 * SECOND_US, now_us, 360)
    assert (30.0, 44.0) == (np.nanmin(found.low), np.nanmax(found.high))
    assert now_us - 7200 * SECOND_US >= past.read_back_to_us
    spike = int(np.nanargmax(found.high)) * found.step_us + found.from_us
    assert abs(spike - (now_us - (120 - 77) * 60 * SECOND_US)) < 60 * SECOND_US


def test_what_is_written_later_is_followed_and_nothing_is_counted_twice(recorded):
    past, clock, bearing, record = recorded
    past.read_all()
    record(50.0)
    past._follow()
    assert 50.0 == highest(past, bearing, clock.now_us() - 3600 * SECOND_US, clock.now_us())


def test_a_short_span_is_read_second_by_second(recorded):
    past, clock, bearing, _ = recorded
    past.read_all()
    to_us = clock.now_us() - 40 * 60 * SECOND_US
    (found,) = past.strips([bearing], to_us - 600 * SECOND_US, to_us, 360)
    assert 2 * SECOND_US >= found.step_us
    assert 44.0 == np.nanmax(found.high)


def test_a_recording_that_begins_after_the_page_is_followed_from_its_first_batch(tmp_path):
    file = tmp_path / "condmon.toml"
    file.write_text(TEXT.format(broker=NOWHERE, port=8470, web="", more=""))
    config = load(file)
    clock = FakeClock()
    past = Past(config.settings, tmp_path / "store", clock)
    (tmp_path / "store").mkdir()
    past.read_all()
    recorder = Recorder(tmp_path / "store", config.settings.signals, clock.now_us)
    recorder.append([samples([(2, clock.now_us(), rec.NO_TIME, 31.0, rec.GOOD, 0, 0)])])
    recorder.close()
    past._follow()
    assert 31.0 == highest(past, 2, clock.now_us() - 3600 * SECOND_US, clock.now_us() + 1)


WORDING = Wording(SiteCalendar("Europe/Oslo"), START_US)


def drawn(signal, low, high, bands=()):
    step_us = SECOND_US
    made = Strip(START_US, step_us, np.array(low, float), np.array(high, float))
    return chart(signal, made, START_US, START_US + len(low) * step_us, bands, WORDING)


def test_a_chart_says_in_words_what_it_shows():
    made = drawn(BEARING, [30, 31, 29], [32, 33, 30])
    assert "last 30 °C · least 29 °C · greatest 33 °C" == made.words
    assert 'role="img"' in made.svg
    assert "greatest 33 °C" in made.svg


def test_a_line_breaks_where_nothing_is_known():
    made = drawn(BEARING, [30, np.nan, 31], [30, np.nan, 31])
    assert 2 == re.search(r' d="([^"]+)"/></svg>', made.svg)[1].count("M")


def test_a_chart_of_nothing_says_so():
    made = drawn(BEARING, [np.nan], [np.nan])
    assert not made.known
    assert "nothing is known" in made.svg


def test_a_trip_near_by_is_in_sight_and_one_far_off_is_not():
    assert scale_of(BEARING, 50, 53)[1] >= 55
    assert scale_of(BEARING, 20, 22)[1] < 55
    assert 'class="trip"' in drawn(BEARING, [50], [53]).svg
    assert 'class="trip"' not in drawn(BEARING, [20], [22]).svg


def test_an_axis_never_goes_below_zero_for_what_is_never_below_zero():
    assert 0 == scale_of(BEARING, 0, 8000)[0]
    assert scale_of(BEARING, -1, 5)[0] < 0


def test_what_a_shop_writes_is_escaped_in_a_chart():
    evil = Signal(0, "m", "x", "t", "measure", title='<script>"')
    assert "<script>" not in drawn(evil, [1], [2]).svg


def test_what_happened_is_marked_where_it_happened():
    bands = [Band(START_US + SECOND_US, START_US + 2 * SECOND_US, "alert", "hot")]
    assert '<rect class="band alert" x="90.0" y="0" width="90.0"' in (
        drawn(BEARING, [1] * 4, [1] * 4, bands).svg
    )


def test_a_path_of_a_whole_day_is_short():
    chance = np.random.default_rng(3)
    low = 30 + chance.normal(0, 1, 360)
    made = path(Strip(0, 240 * SECOND_US, low, low + 1), 0, 86400 * SECOND_US, (25, 40))
    assert len(made) < 6000


def test_states_are_read_in_the_shop_s_words_and_unknown_as_such():
    assert ("closed", "open", "no value") == (
        reading(DOOR, 1.0), reading(DOOR, 0.0), reading(BEARING, math.nan),
    )  # fmt: skip
    assert "the machine stops itself at 55 °C" == usual(BEARING)


def test_two_charts_that_follow_one_another_become_one():
    early = Strip(0, 10, np.array([1.0, 5.0, np.nan, 3.0]), np.array([2.0, 9.0, np.nan, 4.0]))
    late = Strip(40, 20, np.array([7.0, 0.0]), np.array([8.0, 1.0]))
    made = merged([late, early], 0, 80, 4)
    assert [(1, 9), (3, 4), (7, 8), (0, 1)] == columns(made)
    assert (0, 20) == (made.from_us, made.step_us)


def test_what_is_older_than_the_rings_comes_out_of_sealed_days(tmp_path):
    file = tmp_path / "condmon.toml"
    file.write_text(TEXT.format(broker=NOWHERE, port=8470, web="", more=""))
    settings_ = load(file).settings
    clock = FakeClock(START_US - 12 * 86400 * SECOND_US)
    recorder = Recorder(tmp_path / "store", settings_.signals, clock.now_us)
    for day in range(12):
        at_us = clock.now_us()
        recorder.append([samples([(2, at_us, rec.NO_TIME, 20.0 + day, rec.GOOD, 0, 0)])])
        clock.pass_s(86400)
    recorder.close()
    seal(tmp_path / "store", frozenset())
    past = Past(settings_, tmp_path / "store", clock)
    past.read_all()
    now_us = clock.now_us()
    (found,) = past.strips([2], now_us - 30 * 86400 * SECOND_US, now_us, 360)
    assert (20.0, 31.0) == (np.nanmin(found.low), np.nanmax(found.high))
    assert 12 <= int((~np.isnan(found.low)).sum()) <= 36
    (lately,) = past.strips([2], now_us - 5 * 86400 * SECOND_US, now_us, 360)
    assert (27.0, 31.0) == (np.nanmin(lately.low), np.nanmax(lately.high))
