"""Columns of a report's charts: the same over sealed days and recordings; held; with holes."""

import re

import numpy as np
import pytest

from condmon.clock import SiteCalendar
from condmon.engine.records import SECOND_US
from condmon.engine.settings import Signal
from condmon.history.seal import seal
from condmon.history.store import History
from condmon.ledger.curves import Curve, curves
from condmon.ledger.drawing import Band, Piece, chart, duty_bar
from tests.recorded import DAY_US, MONDAY_US, SIGNALS, STATES, Folder, one

HOUR_US = 3600 * SECOND_US
OSLO = SiteCalendar("Europe/Oslo")
MILL = [signal for signal in SIGNALS if signal.machine == "mill-1"]


@pytest.fixture
def folder(tmp_path):
    folder = Folder(tmp_path / "store")
    for n in range(3):
        folder.day(MONDAY_US + n * DAY_US, every_s=3600)
    folder.begin_day(MONDAY_US + 3 * DAY_US)
    yield folder
    folder.recorder.close()


def test_sealing_changes_no_curve_and_every_sample_is_in_its_column(folder):
    history = History(folder.path, SIGNALS)
    spans = [
        (MONDAY_US + int(a * DAY_US), MONDAY_US + int(b * DAY_US))
        for a, b in [(0, 3), (0, 1), (1.5, 2.5), (0, 3.5)]
    ]
    found = [curves(history, "mill-1", MILL, span, 100) for span in spans]
    for span, curve in zip(spans, found, strict=True):
        reading = history.read("mill-1", "temp", *span)
        assert reading.value.min() == pytest.approx(np.nanmin(curve["temp"].low))
        assert reading.value.max() == pytest.approx(np.nanmax(curve["temp"].high))
    seal(folder.path, STATES)
    for span, before in zip(spans, found, strict=True):
        compare(before, curves(history, "mill-1", MILL, span, 100))


def compare(before, after):
    for name in ("temp", "power"):
        # a minute of a sealed day may fall into the next column
        low, high = before[name].low, before[name].high
        assert np.array_equal(np.isnan(low), np.isnan(after[name].low))
        known = ~np.isnan(low)
        assert np.abs(low[known] - after[name].low[known]).max() <= 1.0
        assert np.abs(high[known] - after[name].high[known]).max() <= 1.0


def test_state_is_held_over_columns_without_a_sample_and_from_before_the_span(tmp_path):
    folder = Folder(tmp_path / "store")
    folder.take(MONDAY_US + 1, one(1, MONDAY_US + 1, 1.0))
    folder.take(MONDAY_US + 8 * HOUR_US, one(1, MONDAY_US + 8 * HOUR_US, 0.0))
    folder.take(MONDAY_US + 9 * HOUR_US)
    folder.recorder.close()
    span = MONDAY_US + 4 * HOUR_US, MONDAY_US + 12 * HOUR_US
    found = curves(History(folder.path, SIGNALS), "mill-1", MILL, span, 8)
    assert [1, 1, 1, 1, 0, 0, 0, 0] == found["power"].low.tolist()
    assert np.isnan(found["temp"].low).all()


def test_nothing_recorded_gives_empty_curves(tmp_path):
    found = curves(History(tmp_path, SIGNALS), "mill-1", MILL, (MONDAY_US, MONDAY_US + DAY_US))
    assert {"temp", "power"} == set(found)
    assert np.isnan(found["temp"].low).all()


def drawn(values, **more):
    signal = Signal(0, "m", "temp", "t", "measure", unit="Cel", title="a <b>", **more)
    curve = Curve(np.array(values), np.array(values))
    band = Band(MONDAY_US + HOUR_US, MONDAY_US + 2 * HOUR_US, 3)
    return str(chart(signal, curve, (MONDAY_US, MONDAY_US + DAY_US), [band], OSLO))


def test_a_hole_breaks_the_line_and_a_lonely_value_is_seen():
    line = re.search(r'<path d="([^"]*)" fill="none"', drawn([1.0, 2.0, np.nan, 3.0]))[1]
    assert 2 == line.count("M")
    assert line.endswith("h.6")


def test_a_chart_tells_its_hours_by_the_site_s_clock_and_marks_the_alert():
    svg = drawn([20.0, 30.0], trip=32.0)
    assert ">01-" not in svg
    assert ">06:00<" in svg
    assert ">11-25<" in svg  # midnight in Oslo lies inside a day of UTC
    assert ">3<" in svg
    assert "stops itself" in svg
    assert "a &lt;b&gt; over time" in svg


def test_a_trip_far_away_does_not_flatten_the_line():
    assert "stops itself" not in drawn([20.0, 21.0], trip=300.0)


@pytest.mark.parametrize("days", [0.01, 0.2, 1, 3, 9, 40, 400])
def test_a_time_axis_has_some_marks_and_not_too_many(days):
    span = MONDAY_US, MONDAY_US + int(days * DAY_US)
    svg = str(duty_bar([Piece(*span, "turning")], span, OSLO))
    assert 1 <= len(re.findall(r">(?:\d\d:\d\d|\d\d-\d\d)<", svg)) <= 16
