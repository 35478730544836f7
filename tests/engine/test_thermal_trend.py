"""The weeks of a bearing: in the model, in the log, and on the page, each with its interval."""

import json
import math
import re
from dataclasses import replace

import pytest

from condmon.clock import SiteCalendar
from condmon.engine.engine import Engine
from condmon.engine.outputs import Entry
from condmon.engine.records import Beacon, ModelOn
from condmon.engine.thermal_file import MachineModel, ModelError, _digest, read_model
from condmon.engine.thermal_fit import fit
from condmon.engine.thermal_growth import Growth, HeldUntil
from condmon.engine.thermal_trend import DAY_US, Trend, Turn, Wanted, plain, read_trend, trend_of
from condmon.engine.thermal_words import facts_of, trend_words
from condmon.engine.view import view_of
from tests.engine.builders import T0_US
from tests.engine.heat import Spindle, history
from tests.engine.test_bearing_checks import TRADE, model_on, shop

UTC = SiteCalendar("UTC")
DAYS = 28
STEP = 15  # the day of the hard stop; from it on a tenth more heat


@pytest.fixture(scope="module")
def weeks():
    """Four weeks of a bearing that makes more heat every day: the model and its trend."""
    h = history(DAYS, 5, Spindle(supply_share=1.0), growth=lambda day: 0.3 * day / DAYS, gaps=1)
    model = fit(h)
    first_us = int(h.minute[0]) * 60_000_000
    turns = [Turn(first_us, "service"), Turn(first_us + STEP * DAY_US, "hard stop")]
    gain = 19.0 * (model.speed_ref / 18_000) ** model.exponent * 1.3
    trip = round(22.4 + gain + 3.0 + 1.0, 1)  # a kelvin is left today
    return model, trend_of(model, h, Wanted(0.0, trip, 3.0), turns)


def test_every_week_has_its_gain_and_an_interval_that_holds_the_truth(weeks):
    model, trend = weeks
    assert 4 == len(trend.weeks)
    for n, week in enumerate(trend.weeks):
        true = 19.0 * (model.speed_ref / 18_000) ** (5 / 3) * (1 + 0.3 * (7 * n + 2) / DAYS)
        assert true == pytest.approx(week.gain_k, rel=0.03)
        assert week.low < week.gain_k < week.high


def test_change_is_told_since_the_last_turn_alone(weeks):
    _, trend = weeks
    assert "hard stop" == trend.turn.why
    assert trend.since.low > 0.0
    assert 15 <= trend.since.days_before + trend.since.days_after <= 20


def test_the_day_on_which_the_speed_is_no_longer_held_is_ahead_and_bounded(weeks):
    model, trend = weeks
    assert model.speed_ref == trend.wanted.speed  # no other speed was named
    assert 0.0 < trend.held.soonest <= trend.held.days <= trend.held.latest < math.inf
    per_day = 19.0 * (model.speed_ref / 18_000) ** (5 / 3) * 0.3 / DAYS
    assert 1.0 / per_day + 3 == pytest.approx(trend.held.days, abs=2.0)  # Friday to Monday


def test_trend_comes_back_the_same_from_json(weeks):
    _, trend = weeks
    assert trend == read_trend(json.loads(json.dumps(plain(trend), allow_nan=False)))
    never = Trend(9, 20_000, (), None, 21.0, Wanted(1.0, 2.0, 3.0),
                  HeldUntil(math.inf, 3.0, math.inf, 9.0), None, None)  # fmt: skip
    assert never == read_trend(json.loads(json.dumps(plain(never), allow_nan=False)))


def test_words_name_week_growth_change_and_day(weeks):
    model, trend = weeks
    text = "; ".join(trend_words(model, trend, UTC))
    assert re.search(r"in the week from \d{4}-\d\d-\d\d its heat was \d\d\.\d\d K \(\d", text)
    assert re.search(r"it changes by \+\d\.\d\d K a week \(\+\d", text)
    assert re.search(r"since the hard stop of \d{4}-\d\d-\d\d its heat changed by \+", text)
    assert re.search(
        r"/min would no longer stay 3 K under its trip from about \d{4}-\d\d-\d\d on \(\d", text
    )


def test_nothing_is_claimed_where_little_is_known():
    few = Trend(3, 20_000, (), None, 21.0, None, None, Turn(5 * DAY_US, "service"), None)
    words = "; ".join(trend_words(TRADE, few, UTC))
    assert "3 days are too few for a trend" in words
    assert "too few days before or after the service of 1970-01-06" in words
    assert "trip" not in words
    assert {"b.speed_ref": 18_000.0, "b.gain_k": 19.0} == facts_of(TRADE, few, "b")


def test_nothing_is_said_of_a_highest_speed_where_any_speed_is_held():
    cool = Growth(0.0, -0.1, 0.1, 1e-9, True)
    trend = Trend(20, 10, (), cool, 21.0, Wanted(24_000.0, 50.0, 3.0), None, None, None)
    assert "all week" in "; ".join(trend_words(TRADE, replace(trend, growth=None), UTC))
    assert "all week" not in "; ".join(trend_words(TRADE, trend, UTC))


@pytest.mark.parametrize(
    ("held", "said"),
    [
        (HeldUntil(0.0, 0.0, 0.0, 20.0), "no longer stays 3 K under its trip on a warm day"),
        (HeldUntil(math.inf, 9.0, math.inf, 20.0), "is held for the next 20 days; further ahead"),
        (HeldUntil(4.0, 2.0, math.inf, 20.0), "from about 1970-01-15 on (1970-01-13 to not in"),
        (HeldUntil(4.0, math.inf, 5.0, 20.0), "(not in sight to 1970-01-16)"),  # nobody fits this
    ],
)
def test_how_long_a_speed_is_held_in_words(held, said):
    grown = Growth(0.5, 0.3, 0.7, 20.0, True)
    trend = Trend(20, 10, (), grown, 21.0, Wanted(24_000.0, 50.0, 3.0), held, None, None)
    words = "; ".join(trend_words(TRADE, trend, UTC))
    assert "24,000 /min" in words
    assert said in words


def test_log_and_page_tell_the_weeks_when_a_model_takes_effect(weeks):
    model, trend = weeks
    made = MachineModel("mill-1", {"bearing": model}, {}, 0, 1, {}, {"bearing": trend})
    engine = Engine(shop())
    before = view_of(engine.watches, 0).machines[0]
    assert ("bearing", ("no model yet: until there is one it is compared with its own past at the "
            "same speed",)) in before.learned  # fmt: skip
    record = ModelOn(T0_US, "mill-1", "thermal", made.id, made.content())
    (entry,) = [o for o in engine.push([Beacon(T0_US), record]) if isinstance(o, Entry)]
    assert f"model thermal {made.id} takes effect: bearing: up to " in entry.text
    assert "in the week from" in entry.text
    assert "would no longer stay" in entry.text
    week = trend.weeks[-1]
    assert round(week.low, 2) == entry.facts["bearing.week_gain_low_k"]
    assert round(trend.since.change_k, 2) == entry.facts["bearing.change_k"]
    assert round(trend.held.days, 1) == entry.facts["bearing.held_days"]
    lines = dict(view_of(engine.watches, 0).machines[0].learned)["bearing"]
    assert any("in the week from" in line for line in lines)
    assert any("settles" in line for line in lines)
    again = Engine.restore(shop(), engine.snapshot())
    assert lines == dict(view_of(again.watches, 0).machines[0].learned)["bearing"]


def test_a_bearing_without_a_model_is_told_with_its_reason():
    made = MachineModel("mill-1", {}, {"bearing": "too little excitation"}, 0, 1, {})
    engine = Engine(shop())
    engine.push([ModelOn(T0_US, "mill-1", "thermal", made.id, made.content())])
    learned = dict(view_of(engine.watches, 0).machines[0].learned)
    assert ("no model: too little excitation",) == learned["bearing"]


def test_a_refused_model_is_told_without_any_figure():
    engine = Engine(shop())
    (entry,) = engine.push([ModelOn(1, "mill-1", "thermal", "x", model_on(TRADE).content[:-5])])
    assert "is not used: it cannot be read" in entry.text
    assert {"model": "thermal", "id": "x"} == entry.facts


@pytest.mark.parametrize(
    "change",
    [{"around_c": None}, {"weeks": [[1, 2, 3.0]]}, {"growth": [1.0]}, {"turn": ["x", "y"]},
     {"held": [1.0, 2.0]}, {"since": [1, 2, "z", 3, 4]}, {"wanted": [1.0, 2.0]}, {"days": "x"}],
)  # fmt: skip
def test_damaged_weeks_are_refused_with_a_reason(weeks, change):
    model, trend = weeks
    made = MachineModel("mill-1", {"bearing": model}, {}, 0, 1, {}, {"bearing": trend})
    whole = json.loads(made.content())
    whole["trends"]["bearing"].update(change)
    del whole["digest"]
    text = json.dumps({**whole, "digest": _digest(whole)})
    with pytest.raises(ModelError, match="cannot be read"):
        read_model(text)
