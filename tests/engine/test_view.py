"""The view: what the engine holds at this moment, in words the page can show."""

import math

import numpy as np

from condmon.clock import SiteCalendar
from condmon.engine import records as rec
from condmon.engine.engine import Engine
from condmon.engine.records import SECOND_US, Action, Beacon, Link
from condmon.engine.settings import Machine, OwnCheck, Settings
from tests.engine.builders import T0_US, signal
from tests.engine.test_bearing_checks import TRADE, columns, hours, model_on, shop, stream

MILL = Machine("mill-1", "Mill 1", (
    signal(0, "mill-1", "power", "power"),
    signal(1, "mill-1", "speed", "spindle_speed", fed_by="power", stale_after_s=40.0),
    signal(2, "mill-1", "bearing", "bearing_temperature", stale_after_s=60.0),
))  # fmt: skip
HOT = OwnCheck("hot", ("mill-1",), "bearing > 50", 1.0, 1.0)
SITE = Settings("Pier", SiteCalendar("UTC"), (MILL,), (HOT,), digest="test")


def put(engine: Engine, second: int, **values: float):
    """Values at a second, then a beacon that closes it; the view afterwards."""
    at_us = T0_US + second * SECOND_US
    index = {s.name: s.index for s in MILL.signals}
    rows = [(index[n], at_us, rec.NO_TIME, v, rec.GOOD if v == v else rec.BAD, 0, 0)
            for n, v in values.items()]  # fmt: skip
    engine.push([rec.samples(rows), Beacon(at_us + 3 * SECOND_US)])
    return engine.view()


def of(view, name: str):
    return next(s for s in view.machines[0].signals if s.name == name)


def test_before_anything_came_nothing_is_known():
    view = Engine(SITE).view()
    assert 0 == view.at_us
    assert "" == view.machines[0].duty
    assert {"never"} == {s.standing for s in view.machines[0].signals}
    assert all(math.isnan(s.value) and s.at_us is None for s in view.machines[0].signals)


def test_a_value_comes_with_its_second_and_the_duty_with_its_beginning():
    engine = Engine(SITE)
    put(engine, 0, power=1, speed=0, bearing=30.0)
    view = put(engine, 7, speed=8000)
    assert (30.0, T0_US, "good") == (
        of(view, "bearing").value, of(view, "bearing").at_us, of(view, "bearing").standing,
    )  # fmt: skip
    assert ("turning", T0_US + 7 * SECOND_US) == (
        view.machines[0].duty, view.machines[0].duty_since_us,
    )  # fmt: skip
    assert T0_US + 10 * SECOND_US == view.at_us


def test_silent_unusable_and_unfed_are_told_apart():
    engine = Engine(SITE)
    put(engine, 0, power=1, speed=8000, bearing=30.0)
    view = put(engine, 100, bearing=math.nan)
    assert "unusable" == of(view, "bearing").standing
    assert "silent" == of(view, "speed").standing
    assert T0_US == of(view, "bearing").at_us
    assert "" == view.machines[0].duty
    view = put(engine, 200, power=0)
    assert "unfed" == of(view, "speed").standing
    assert "off" == view.machines[0].duty


def test_checks_tell_their_alert_and_whether_they_are_in_service():
    engine = Engine(SITE)
    for second in range(6):
        view = put(engine, second, power=1, bearing=52.0)
    (alert,) = (a for a in engine.open_alerts() if a.check == "hot")
    (check,) = (c for c in view.machines[0].checks if c.key == "hot")
    assert (alert.id, False) == (check.alert, check.out_of_service)
    engine.push([Action(T0_US, "out_of_service", "ben", machine="mill-1", check="hot")])
    (check,) = (c for c in engine.view().machines[0].checks if c.key == "hot")
    assert check.out_of_service


def test_the_link_is_told():
    engine = Engine(SITE)
    assert engine.view().linked
    engine.push([Link(T0_US, up=False)])
    assert not engine.view().linked


def test_looking_changes_nothing():
    engine = Engine(SITE)
    put(engine, 0, power=1, speed=8000, bearing=30.0)
    before = engine.snapshot()
    engine.view()
    assert before == engine.snapshot()


def test_a_model_tells_where_the_bearing_settles_and_the_speed_that_could_be_held():
    """About 20 + 19 = 39 at 18,000; 47 is 27 K above 20: (27/19)^(3/5) of 18,000 is 22,200."""
    settings = shop()
    engine = Engine(settings)
    engine.push([model_on(TRADE), *stream(settings, columns(hours((1.0, 18_000))))])
    words = of(engine.view(), "bearing").outlook
    assert "at about 18,000 /min it settles at 39 °C" in words
    assert "up to about 22,200 /min stays 3 K under its trip" in words


def test_without_a_model_nothing_is_foreseen():
    settings = shop()
    engine = Engine(settings)
    engine.push(stream(settings, columns(np.asarray(hours((0.3, 18_000))))))
    assert "" == of(engine.view(), "bearing").outlook
