"""The odd pattern through the engine: silent until learned, one alert an episode, plain words."""

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from condmon.clock import SiteCalendar
from condmon.engine.engine import Engine
from condmon.engine.oddmodel import OddModelError, checksum, read_model
from condmon.engine.outputs import Alert, Entry, Message
from condmon.engine.records import (
    GOOD,
    NO_TIME,
    SECOND_US,
    Action,
    Beacon,
    ModelOn,
    Samples,
)
from condmon.engine.settings import Adjust, Machine, Settings
from condmon.learning.history import tables
from condmon.learning.odd import Refused, fit
from tests.bent import bent_json
from tests.engine.builders import signal
from tests.engine.test_engine_cuts import lines
from tests.generated import generated

DAY0_US = 20_500 * 86_400 * SECOND_US
DAY_MIN = 1440
PARTS = (
    ("power", "power"),
    ("speed", "spindle_speed"),
    ("load", "spindle_load"),
    ("bearing", "bearing_temperature"),
    ("supply", "coolant_supply_temperature"),
    ("air", "air_pressure"),
)
ONLY = {
    name: Adjust(enabled=False)
    for name in ("sensor-stuck", "sensor-noisy", "sensor-drift", "bearing-warming", "bearing-hot")
}
MILL = Machine(
    "mill-1", "Mill", tuple(signal(i, "mill-1", *p) for i, p in enumerate(PARTS)), adjust=ONLY
)
SHOP = Settings("Pier", SiteCalendar("Europe/Oslo"), (MILL,), digest="odd")


def minutes(days, first_day=0, seed=1, load_factor=None, warmer_k=None):
    """A sample of each signal a minute, a beacon a minute: work from 6 to 16 UTC, off at night."""
    rng = np.random.default_rng(seed)
    n = days * DAY_MIN
    at = np.arange(n)
    of_day = at % DAY_MIN
    on = (of_day >= 360) & (of_day < 1000)
    turning = on & (of_day % 45 < 33)
    speed = np.where(turning, rng.choice([6000.0, 8000.0, 12000.0], n // 45 + 1)[at // 45], 0.0)
    load = speed / 1000 * 3 + np.where(turning, rng.normal(0, 0.7, n), 0.0)
    if load_factor is not None:
        load = load * load_factor
    supply = 22 + np.sin(at / 40) * 0.4 + rng.normal(0, 0.05, n)
    heat = np.zeros(n)
    for i in range(1, n):
        heat[i] = heat[i - 1] + (speed[i] / 1000 * 1.4 - heat[i - 1]) / 20
    bearing = supply + heat + rng.normal(0, 0.1, n)
    if warmer_k is not None:
        bearing = bearing + warmer_k
    air = 6.0 + rng.normal(0, 0.03, n)
    whole = np.stack([on.astype(float), speed, np.round(load, 1), bearing, supply, air], axis=1)
    return [_batch(i, first_day, row) for i, row in enumerate(whole)]


def _batch(i, first_day, row):
    k = len(row)
    at_us = DAY0_US + (first_day * DAY_MIN + i) * 60 * SECOND_US
    when = np.full(k, at_us, np.int64)
    zero = np.zeros(k, np.uint8)
    quality = np.full(k, GOOD, np.uint8)
    own = np.full(k, NO_TIME, np.int64)
    taken = Samples(
        np.arange(k, dtype=np.int32), when, own, row, quality, np.zeros(k, np.uint16), zero
    )
    return [taken, Beacon(at_us + 30 * SECOND_US)]


@pytest.fixture(scope="module")
def learned():
    """A model from nine healthy days."""
    table = tables(day_batches(9), SHOP)["mill-1"]
    return fit(MILL, table, alerts_a_week=1.0, days_min=7)


def model_on(model, at_us=DAY0_US):
    return ModelOn(at_us, model.machine, "odd", model.id, model.content())


def said(engine, batches):
    return engine.push([record for batch in batches for record in batch])


def odd_alerts(outputs):
    return [o for o in outputs if isinstance(o, Alert) and o.check == "odd-pattern"]


def test_without_a_model_it_tells_how_far_it_has_learned_and_nothing_else():
    out = said(Engine(SHOP), minutes(4))
    told = [o.text for o in out if isinstance(o, Entry) and o.kind == "model"]
    assert [f"odd pattern: still learning ({n} of 7 days)" for n in (1, 2, 3)] == told
    assert [] == odd_alerts(out)


def test_too_few_days_are_refused_with_how_far_it_has_come():
    table = tables(day_batches(3), SHOP)["mill-1"]
    with pytest.raises(Refused, match=r"still learning \(3 of 7 days\)"):
        fit(MILL, table, alerts_a_week=1.0, days_min=7)


def test_healthy_days_after_learning_raise_nothing(learned):
    engine = Engine(SHOP)
    engine.push([model_on(learned)])
    assert [] == odd_alerts(said(engine, minutes(4, first_day=9, seed=7)))


def test_a_load_unlike_its_speed_is_one_alert_with_its_usual_range(learned):
    """A third more load at every speed: no value that was not seen before at another speed."""
    factor = np.ones(2 * DAY_MIN)
    factor[480:900] = 1.33
    engine = Engine(SHOP)
    engine.push([model_on(learned)])
    out = said(engine, minutes(2, first_day=9, seed=8, load_factor=factor))
    found = odd_alerts(out)
    assert 1 == len({alert.id for alert in found})
    first = found[0]
    began = (first.began_us - DAY0_US) // (60 * SECOND_US) - 9 * DAY_MIN
    assert 480 <= began <= 480 + 40
    assert "load" in first.signals
    assert "while turning" in first.what
    assert "usually" in first.what
    assert found[-1].ended_us is not None
    assert 1 == len([o for o in out if isinstance(o, Message) and o.alerts == (first.id,)])


def test_a_bearing_hotter_than_its_speed_explains_is_found_within_its_usual_values(learned):
    """6 K more while it turns: 12,000 /min alone gives 17 K, so the value itself is usual."""
    warmer = np.zeros(DAY_MIN)
    warmer[480:900] = 6.0
    engine = Engine(SHOP)
    engine.push([model_on(learned)])
    found = odd_alerts(said(engine, minutes(1, first_day=9, seed=5, warmer_k=warmer)))
    assert 1 == len({alert.id for alert in found})
    began = (found[0].began_us - DAY0_US) // (60 * SECOND_US) - 9 * DAY_MIN
    assert 480 <= began <= 480 + 60
    assert "bearing" in found[0].signals


def test_outputs_are_the_same_however_the_stream_is_cut_and_restored(learned):
    factor = np.ones(DAY_MIN)
    factor[480:900] = 1.33
    records = [
        model_on(learned),
        *[r for batch in minutes(1, first_day=9, seed=8, load_factor=factor) for r in batch],
    ]
    whole = lines(Engine(SHOP).push(records))
    assert any('"odd-pattern"' in line for line in whole)
    rng = np.random.default_rng(3)
    engine, out, start = Engine(SHOP), [], 0
    for stop in [*sorted(rng.integers(0, len(records), 25).tolist()), len(records)]:
        out += engine.push(records[start:stop])
        start = stop
        engine = Engine.restore(SHOP, engine.snapshot())
    assert whole == lines(out)


def test_an_open_episode_lives_on_through_a_new_model(learned):
    factor = np.full(DAY_MIN, 1.33)
    engine = Engine(SHOP)
    engine.push([model_on(learned)])
    batches = minutes(1, first_day=9, seed=8, load_factor=factor)
    out = said(engine, batches[:600])
    engine.push([model_on(learned, DAY0_US + (9 * DAY_MIN + 600) * 60 * SECOND_US)])
    out += said(engine, batches[600:])
    assert 1 == len({alert.id for alert in odd_alerts(out)})


def day_batches(days, **more):
    """The same, a day a batch."""
    made = minutes(days, **more)
    return [[r for b in made[i : i + DAY_MIN] for r in b] for i in range(0, len(made), DAY_MIN)]


def test_frames_near_alerts_and_visits_are_left_out_of_learning():
    batches = minutes(1)
    at = DAY0_US + 400 * 60 * SECOND_US
    batches[400].append(Action(at, "out_of_service", "kim", machine="mill-1", check="air-down"))
    later = DAY0_US + 500 * 60 * SECOND_US
    batches[500].append(
        Action(later, "return_to_service", "kim", machine="mill-1", check="air-down")
    )
    table = tables(batches, SHOP)["mill-1"]
    minute = table.minute - DAY0_US // (60 * SECOND_US)
    assert table.left_out[(minute >= 370) & (minute <= 530)].all()
    assert not table.left_out[(minute < 360) | (minute > 540)].any()


# what is refused


def changed(of, **change):
    whole = json.loads(of.content())
    whole.pop("sha256")
    whole.update(change)
    return json.dumps({**whole, "sha256": checksum(whole)})


def test_a_model_comes_back_the_same(learned):
    assert learned.content() == read_model(learned.content()).content()
    assert len(learned.content()) < 400_000


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"model": "thermal"}, "no model of an odd pattern"),
        ({"version": 99}, "version 99"),
        ({"features": []}, "0 features"),
        ({"duties": {}}, "no duty"),
        ({"duties": {"turning": {"usual": {}}}}, "cannot be read"),
        ({"duties": 7}, "cannot be read"),
    ],
)
def test_a_foreign_model_is_refused_with_a_reason(learned, change, said):
    with pytest.raises(OddModelError, match=said):
        read_model(changed(learned, **change))


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("threshold", -1.0, "threshold"),
        ("threshold", "x", "cannot be read"),
        ("forest_level", 0.0, "forest"),
        ("forest", {}, "column is missing"),
    ],
)
def test_a_duty_that_makes_no_sense_is_refused(learned, field, value, said):
    duties = json.loads(learned.content())["duties"]
    duties["turning"][field] = value
    with pytest.raises(OddModelError, match=said):
        read_model(changed(learned, duties=duties))


@pytest.mark.parametrize("place", [0.1, 0.5, 0.9])
def test_a_damaged_model_is_refused(learned, place):
    text = learned.content()
    at = int(len(text) * place)
    broken = text[:at] + ("A" if text[at] != "A" else "B") + text[at + 1 :]
    with pytest.raises(OddModelError):
        read_model(broken)
    with pytest.raises(OddModelError, match="cannot be read"):
        read_model(text[:at])


def test_a_model_of_other_signals_or_another_machine_changes_nothing(learned):
    engine = Engine(SHOP)
    for model, why in (
        (replace(learned, features=(*learned.features[:-1], "x.mean")), "other signals"),
        (replace(learned, machine="mill-2"), "no such machine"),
    ):
        (entry,) = engine.push([model_on(model)])
        assert why in entry.text
    assert {} == engine.watches[0].models


@generated(usual=8, per_mille=1)
@given(data=st.data())
def test_any_odd_model_is_refused_or_can_be_judged_by(learned, data):
    whole = data.draw(bent_json(learned.content()))
    if isinstance(whole, dict):
        whole.pop("sha256", None)
        try:
            whole["sha256"] = checksum(whole)
        except ValueError:  # NaN: nobody can write a checksum of it
            whole["sha256"] = ""
    engine = Engine(SHOP)
    engine.push([ModelOn(DAY0_US, "mill-1", "odd", "x", json.dumps(whole))])
    if engine.models_on():
        said(engine, NEXT_MINUTES)
        engine.snapshot()


NEXT_MINUTES = minutes(1, 9)[540:550]
