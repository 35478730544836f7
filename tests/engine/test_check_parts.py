"""The parts that checks of days are made of: minutes, what is usual, zones, strokes, oil, doubt."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from condmon.engine.checks.book import checks_of
from condmon.engine.checks.sensor_noisy import SensorNoisy
from condmon.engine.decode import Arrived, Decoder
from condmon.engine.engine import Engine
from condmon.engine.minutely import DAY_MIN, Gather
from condmon.engine.oiluse import STRETCH_MIN, OilUse
from condmon.engine.outputs import Alert
from condmon.engine.past import Past, middle, scatter
from condmon.engine.records import SECOND_US, Beacon
from condmon.engine.settings import Machine, Payload, Settings
from condmon.engine.strokes import POINTS, Strokes, shape
from condmon.engine.zones import ZONES, Zones
from tests.engine.builders import T0_US, shop, signal

S = SECOND_US


def test_minutes_are_whole_and_aligned_and_have_means_ends_and_changes():
    gather = Gather(2)
    value = np.column_stack([np.arange(150.0), np.full(150, np.nan)])
    age = np.zeros((150, 2))
    minutes = gather.push(1_000_030 * 60 - 30, value, age, np.zeros(150, np.int64), blind=False)
    assert [1_000_030, 1_000_031] == minutes.minute.tolist()
    assert [89, 149] == minutes.row.tolist()
    assert [59.5, 119.5] == minutes.mean[:, 0].tolist()
    assert [30.0, 90.0] == minutes.low[:, 0].tolist()
    assert [89.0, 149.0] == minutes.high[:, 0].tolist()
    assert [60, 60] == minutes.moved[:, 0].tolist()
    assert np.isnan(minutes.mean[:, 1]).all()
    assert [0, 0] == minutes.duty.tolist()


def test_minute_that_a_hole_cuts_is_left_out():
    gather = Gather(1)
    one, none = np.ones((30, 1)), np.zeros(30, np.int64)
    assert 0 == len(gather.push(600, one, one, none, blind=False).minute)
    assert 0 == len(gather.push(2000, one, one, none, blind=True).minute)
    later = gather.push(
        2030, np.ones((70, 1)), np.ones((70, 1)), np.zeros(70, np.int64), blind=False
    )
    assert [34] == later.minute.tolist(), "2040 to 2099"


def test_usual_is_known_from_the_third_day_and_does_not_follow_a_drift():
    past = Past(least=10, recent=5)
    for day in range(30):
        assert (day < 4) == math.isnan(past.usual())
        minute = day * DAY_MIN + np.arange(20)
        past.push(minute, np.full(20, 10.0 + day))
    assert 12.0 == past.usual()
    assert 39.0 == past.now()


def test_days_with_too_few_minutes_do_not_count():
    past = Past(least=10)
    for day in range(9):
        past.push(day * DAY_MIN + np.arange(9), np.ones(9))
    assert math.isnan(past.usual())


@pytest.mark.parametrize("values", [[3.0], [1.0, 2.0], [5.0, 1.0, 3.0], [4.0, 1.0, 3.0, 2.0]])
def test_middle_is_the_median(values):
    assert float(np.median(values)) == middle(values)
    assert sum(values) / len(values) == middle(values, None)


def test_scatter_of_a_normal_is_its_standard_deviation():
    values = np.random.default_rng(1).normal(5, 2, 4000).tolist()
    assert 2 == pytest.approx(scatter(values), rel=0.05)


def test_zones_part_the_travel_and_each_direction():
    zones = Zones()
    sweep = np.concatenate([np.linspace(0, 160, 300), np.linspace(160, 0, 300)])
    for day in range(3):
        for ten in range(6):
            tick = (day * 24 * 6 + ten) * 600
            dent = 2.0 if day == 2 else 1.0
            load = np.where((sweep >= 40) & (sweep < 50), 10 * dent, 10.0)
            zones.push(tick, sweep, load)
            zones.ten_over()
    base, now, error = zones.means(10, 10)
    worst = int(np.nanargmax(now / base))
    assert 4 == worst % ZONES
    assert (40.0, 50.0) == zones.bounds(worst % ZONES)
    others = np.delete(now / base, [4, 4 + ZONES])
    assert np.allclose(1.0, others[~np.isnan(others)])
    assert np.nanmax(error) < 1.0


def test_strokes_are_parted_by_a_pause_and_brought_to_the_same_points():
    strokes = Strokes()
    times = np.concatenate([np.arange(100) * 50_000, 30 * S + np.arange(200) * 25_000])
    values = np.concatenate([np.linspace(0, 1, 100), np.linspace(0, 1, 200)])
    found = strokes.push(times, values, 60 * S)
    assert [100, 200] == [len(v) for _, v in found]
    one, two = (shape(v) for _, v in found)
    assert (POINTS,) == one.shape
    assert np.allclose(one, two)


def test_oil_use_of_a_stretch_passes_over_filling_and_standing():
    use, level = OilUse(), 50.0
    for minute in range(3 * STRETCH_MIN):
        level -= 1.2 / 60
        use.push(level, running=True)
        use.push(level, running=False)
        if minute == STRETCH_MIN + 10:
            level += 30
    assert len(use.uses) == 2
    assert 1.2 == pytest.approx(use.now(2), rel=0.01)


def trace_shop() -> Settings:
    stroke = signal(0, "m", "stroke", "axis_trace", axis="x")
    stroke = replace(stroke, payload=Payload(form="json", value="/v", time="/t", dt="/dt"))
    return Settings("Pier", shop().calendar, (Machine("m", "M", (stroke,)),), digest="x")


def test_array_of_a_stroke_that_comes_when_it_is_over_is_compared_with_the_good_ones():
    """A stroke of six seconds is told at its end, when its first seconds are closed long ago."""
    settings, rng = trace_shop(), np.random.default_rng(3)
    engine, decoder = Engine(settings), Decoder(settings)
    alerts = []
    for n in range(12):
        trace = 20 + 5 * np.sin(np.linspace(0, 3, 120)) + 0.2 * rng.standard_normal(120)
        if n >= 8:
            trace[70:90] += 8
        end_us = T0_US + n * 60 * S
        began_ms = (end_us - 6 * S) // 1000
        payload = json.dumps({"v": trace.round(2).tolist(), "t": began_ms, "dt": 0.05})
        out = engine.push([Beacon(end_us - S)])
        out += engine.push(
            decoder.decode([Arrived(end_us, settings.signals[0].topic, payload.encode(), False)])
        )
        out += engine.push([Beacon(end_us + 20 * S)])
        alerts += [(n, o) for o in out if isinstance(o, Alert) and o.revision == 1]
    ((n, alert),) = alerts
    assert ("axis-trace", 9) == (alert.check, n), "the second odd stroke running"
    assert 0.58 <= alert.facts["share_of_stroke"] <= 0.76
    before, after = (list(map(float, alert.facts[k].split())) for k in ("before", "after"))
    assert 16 == len(before) == len(after)
    assert max(after) > max(before) + 5
    assert "X axis" in alert.title


def test_scatter_that_swings_to_a_beat_is_named_as_pick_up():
    settings = shop(1)
    machine = settings.machines[0]
    (check, *_) = SensorNoisy.make(settings, machine)
    check.lists["series"] = (20 + 2 * np.sin(np.arange(60) / 7 * 6.283)).tolist()
    assert 7 == pytest.approx(check._beat_min(), abs=0.2)
    check.lists["series"] = np.random.default_rng(1).normal(20, 2, 60).tolist()
    assert math.isnan(check._beat_min())


def test_machine_with_three_cheap_sensors_gets_its_checks_and_is_told_of_more():
    parts = (("power", "power"), ("bearing", "bearing_temperature"), ("flow", "air_flow"))
    machine = Machine(
        "m",
        "M",
        tuple(
            signal(i, "m", *p, **({"trip": 60.0} if i == 1 else {})) for i, p in enumerate(parts)
        ),
    )
    settings = Settings("Pier", shop().calendar, (machine,), digest="x")
    found, missing = checks_of(settings, machine)
    ids = {check.id for check in found}
    assert {
        "air-while-off",
        "bearing-near-trip",
        "air-leak",
        "sensor-silent",
        "sensor-noisy",
    } <= ids
    words = dict(missing)
    assert "spindle speed" in words["air-missing"]
    assert "spindle speed" in words["sensor-stuck"]
    assert not {"hard-stop", "door-latch", "axis-unlike"} & ids
