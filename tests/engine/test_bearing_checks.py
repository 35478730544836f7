"""Bearing checks with and without a thermal model, through the engine's own outputs."""

import json
import math
from dataclasses import asdict, replace

import numpy as np
import pytest

from condmon.clock import SiteCalendar
from condmon.engine import records as rec
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert
from condmon.engine.records import NO_TIME, SECOND_US, Beacon, ModelOn
from condmon.engine.settings import Adjust, Machine, Settings
from condmon.engine.thermal import BearingModel
from condmon.engine.thermal_file import MachineModel
from condmon.engine.thermal_fit import fit
from tests.engine.builders import T0_US, signal
from tests.engine.heat import Spindle, history

NAMES = ("speed", "bearing", "supply", "room", "load")
ROLES = (
    "spindle_speed",
    "bearing_temperature",
    "coolant_supply_temperature",
    "room_temperature",
    "spindle_load",
)
TRADE = BearingModel(
    19.0, 18_000.0, 5 / 3, 1200.0, 1.0, 0.0, 0.2, None, 0.0, 0.0, ("gain_k",), ((0.01,),)
)


def shop(without: tuple[str, ...] = (), **figures: float) -> Settings:
    parts = [(n, r) for n, r in zip(NAMES, ROLES, strict=True) if n not in without]
    signals = tuple(
        signal(i, "mill-1", name, role, **({"trip": 50.0} if name == "bearing" else {}))
        for i, (name, role) in enumerate(parts)
    )
    adjust = {"bearing-near-trip": Adjust(figures=figures)} if figures else {}
    only = {"coolant-off-set-point", "sensor-stuck", "chiller-short-cycling", "hard-stop"}
    adjust |= {name: Adjust(enabled=False) for name in only}
    mill = Machine("mill-1", "Mill 1", signals, adjust=adjust)
    return Settings("Pier", SiteCalendar("UTC"), (mill,), digest="test")


def model_on(model: BearingModel, at_us: int = T0_US, machine: str = "mill-1") -> ModelOn:
    made = MachineModel(machine, {"bearing": model}, {}, 0, 1, {})
    return ModelOn(at_us, machine, "thermal", made.id, made.content())


def stream(settings: Settings, columns: dict[str, np.ndarray], every_s: int = 10) -> list:
    """Samples of every signal each `every_s` seconds, with a beacon after each."""
    out = []
    n = len(next(iter(columns.values())))
    index = {s.name: s.index for s in settings.signals}
    for i in range(n):
        at = T0_US + i * every_s * SECOND_US
        rows = [
            (index[name], at + k, NO_TIME, float(column[i]), rec.GOOD, 0, 0)
            for k, (name, column) in enumerate(columns.items())
            if name in index and not math.isnan(column[i])
        ]
        if rows:
            out.append(rec.samples(rows))
        out.append(Beacon(at + SECOND_US))
    return out


def follow(
    speed: np.ndarray, around: np.ndarray, model: BearingModel, more: np.ndarray
) -> np.ndarray:
    """The bearing that a model describes, with `more` K of heat nobody explains; steps of 10 s."""
    out, temp = np.empty(len(speed)), model.steady(float(speed[0]), float(around[0]))
    keep = math.exp(-10 / model.tau_s)
    for i in range(len(speed)):
        goal = model.steady(float(speed[i]), float(around[i])) + more[i]
        temp = goal + (temp - goal) * keep
        out[i] = temp
    return np.round(out, 1)


def hours(*parts: tuple[float, float]) -> np.ndarray:
    """A column of steps of 10 s from (hours, value)."""
    return np.concatenate([np.full(round(h * 360), value) for h, value in parts])


def columns(speed, *, room=20.0, supply=20.0, more=None, model=TRADE) -> dict[str, np.ndarray]:
    n = len(speed)
    more = np.zeros(n) if more is None else more
    room, supply = np.broadcast_to(room, n), np.broadcast_to(supply, n)
    around = np.array([model.around(s, r) for s, r in zip(supply, room, strict=True)])
    return {
        "speed": speed,
        "bearing": follow(speed, around, model, more),
        "supply": supply,
        "room": room,
        "load": np.full(n, 20.0),
    }


def alerts(settings: Settings, records: list, check: str) -> list[Alert]:
    """The first revision of each alert of a check."""
    return [
        o
        for o in Engine(settings).push(records)
        if isinstance(o, Alert) and o.check == check and o.revision == 1
    ]


# the facts of the trade (common practice, no source)


@pytest.fixture(scope="module")
def learned() -> BearingModel:
    """A model fitted on five days of a spindle that settles at 39 with supply at 20 and 18,000."""
    return fit(history(7, 1, Spindle(supply_share=1.0)))


def test_fitted_model_says_that_30_000_trips_and_about_23_700_stays_at_the_trip(learned):
    assert 5 / 3 == pytest.approx(learned.exponent, abs=0.02)
    settings = shop(margin=0.0)
    day = columns(hours((2, 18_000), (0.3, 30_000)))
    (alert,) = alerts(settings, [model_on(learned), *stream(settings, day)], "bearing-near-trip")
    assert "rising towards its trip" in alert.title
    assert 64.4 == pytest.approx(alert.facts["steady"], abs=0.8)
    assert 23_700 == pytest.approx(alert.facts["speed_held"], abs=150)
    assert 3.0 < alert.facts["minutes_to_trip"] < 15.0
    assert alert.facts["minutes_soonest"] <= alert.facts["minutes_to_trip"]
    tripped = int(np.argmax(day["bearing"] >= 50.0)) * 10
    told = (alert.raised_us - T0_US) / SECOND_US
    assert 300 < tripped - told  # there was time to act
    assert alert.facts["minutes_to_trip"] * 60 == pytest.approx(tripped - told, abs=60)


def test_margin_of_3_k_allows_less(learned):
    settings = shop(margin=3.0)
    day = columns(hours((2, 18_000), (0.3, 30_000)))
    (alert,) = alerts(settings, [model_on(learned), *stream(settings, day)], "bearing-near-trip")
    assert 22_230 == pytest.approx(alert.facts["speed_held"], abs=150)
    assert "it stays 3 K under its trip" in alert.if_nobody


def test_steady_temperature_is_that_of_the_trade_once_it_lasts(learned):
    settings = shop(margin=0.0)
    day = columns(hours((1, 12_000), (0.5, 30_000)), supply=20.0)
    engine = Engine(settings)
    engine.push([model_on(learned), *stream(settings, day)])
    near = next(c for c in engine.watches[0].checks if c.id == "bearing-near-trip")
    assert 64.4 == pytest.approx(near.state()["modelled"][3][0], abs=0.5)


def test_fast_day_that_the_model_knows_to_end_below_the_trip_is_silent(learned):
    settings = shop()
    day = columns(hours((1, 18_000), (1, 21_500), (0.5, 9_000)))
    assert [] == alerts(settings, [model_on(learned), *stream(settings, day)], "bearing-near-trip")


# hotter than its speed explains


def test_four_kelvin_that_nothing_explains_are_told_with_a_model():
    settings = shop()
    speed = hours((1, 9_000), (1, 15_000), (0.2, 0), (1.5, 12_000))
    more = np.where(np.arange(len(speed)) > 360, 4.5, 0.0)
    records = [model_on(TRADE), *stream(settings, columns(speed, more=more))]
    (alert,) = alerts(settings, records, "bearing-hot")
    assert alert.facts["by_model"] is True
    assert 3.0 <= alert.facts["residual"] <= 4.6
    assert alert.facts["residual"] / TRADE.sigma_k == pytest.approx(alert.facts["sigmas"], abs=0.1)
    assert 3600 + 20 * 60 < (alert.raised_us - T0_US) / SECOND_US < 3600 + 75 * 60
    assert "speed and surroundings explain" in alert.what


@pytest.mark.parametrize("with_model", [True, False])
def test_speeds_and_a_warm_afternoon_that_explain_the_heat_raise_nothing(with_model):
    settings = shop()
    speed = hours((1, 9_000), (1, 15_000), (1, 6_000), (0.5, 0), (1, 15_000), (1, 9_000))
    model = replace(TRADE, supply_share=0.7)
    room = np.linspace(17, 31, len(speed))
    day = columns(speed, room=room, supply=21.0, model=model)
    records = [*([model_on(model)] if with_model else []), *stream(settings, day)]
    assert [] == alerts(settings, records, "bearing-hot")


def test_more_heat_at_the_same_speed_is_told_without_a_model():
    settings = shop()
    speed = hours((2, 12_000), (0.3, 0), (2, 12_000))
    more = np.where(np.arange(len(speed)) > 2.1 * 360, 5.0, 0.0)
    (alert,) = alerts(settings, stream(settings, columns(speed, more=more)), "bearing-hot")
    assert alert.facts["by_model"] is False
    assert alert.facts["hard_stop"] is None
    assert "the same speed gave before" in alert.what


def test_cooling_down_from_a_faster_speed_is_not_hotter():
    settings = shop()
    speed = hours((1.5, 9_000), (1.5, 18_000), (1, 9_000))
    assert [] == alerts(settings, stream(settings, columns(speed)), "bearing-hot")


def crash(without: tuple[str, ...]) -> list[Alert]:
    """A hard stop after two hours, then 5 K more."""
    settings = shop(without)
    speed = hours((2, 12_000), (0.3, 0), (2, 12_000))
    more = np.where(np.arange(len(speed)) > 2 * 360, 5.0, 0.0)
    day = columns(speed, more=more)
    day["load"] = day["load"].copy()
    day["load"][720] = 190.0
    return alerts(settings, stream(settings, day), "bearing-hot")


def test_heat_after_a_hard_stop_names_it_even_where_no_room_is_known():
    for without in ((), ("room",), ("room", "supply")):
        (alert,) = crash(without)
        assert "since the hard stop at 16:13" in alert.title
        assert "16:13" == alert.facts["hard_stop"]


def test_heat_without_room_supply_or_hard_stop_is_not_judged():
    assert [] == crash(("room", "supply", "load"))


def test_alert_ends_when_the_bearing_is_as_before():
    settings = shop()
    speed = hours((2, 12_000), (2, 12_000), (2, 12_000))
    more = np.where((np.arange(len(speed)) // 720) == 1, 6.0, 0.0)
    outputs = Engine(settings).push(stream(settings, columns(speed, more=more)))
    last = [o for o in outputs if isinstance(o, Alert) and o.check == "bearing-hot"][-1]
    assert last.ended_us is not None
    assert 1 == last.count


# models on and off


def test_damaged_foreign_or_unwanted_models_are_told_and_change_nothing():
    settings = shop()
    engine = Engine(settings)
    good, foreign = model_on(TRADE), model_on(TRADE, machine="mill-2")
    (entry,) = engine.push([good])
    assert entry.text.startswith(f"model thermal {good.id} takes effect: bearing: at 18,000 /min")
    for record, words in (
        (replace(good, content=good.content.replace("19.0", "29.0")), "digest"),
        (replace(good, content="{}"), "cannot be read"),
        (replace(foreign, machine="mill-1"), "made for mill-2"),
        (foreign, "no such machine"),
        (replace(good, model="tides"), "no check of this machine"),
    ):
        (entry,) = engine.push([record])
        assert "is not used" in entry.text
        assert words in entry.text
    assert [good.id, good.content] == engine.watches[0].models["thermal"]


def said(outputs: list) -> list[str]:
    return [type(o).__name__ + json.dumps(asdict(o), sort_keys=True) for o in outputs]


@pytest.mark.parametrize("seed", range(3))
def test_outputs_are_the_same_however_a_day_with_a_model_is_cut_and_restored(seed):
    rng = np.random.default_rng(seed)
    settings = shop()
    speed = hours((0.7, 9_000), (0.2, 0), (0.7, 15_000), (0.6, 30_000), (0.8, 12_000))
    more = np.where(np.arange(len(speed)) > 300, 4.5, 0.0)
    day = columns(speed, more=more)
    for name in ("bearing", "speed", "room"):
        lost = rng.random(len(speed)) < 0.3
        day[name] = np.where(lost, np.nan, day[name])
    records = stream(settings, day)
    at = int(rng.integers(200, 400))
    records.insert(at, model_on(TRADE, T0_US + at * 5 * SECOND_US))
    del records[900:1110]  # nobody watched
    whole = said(Engine(settings).push(records))
    engine, got, start = Engine(settings), [], 0
    for stop in [*sorted(rng.integers(0, len(records), 60).tolist()), len(records)]:
        got += engine.push(records[start:stop])
        start = stop
        if rng.random() < 0.5:
            engine = Engine.restore(settings, engine.snapshot())
    assert whole == said(got)
    assert any("bearing-hot" in line for line in whole)
    assert any("bearing-near-trip" in line for line in whole)
