"""Usage counters against the truth of a simulated month, and through restarts."""

from collections import Counter

import numpy as np
import pytest

from condmon.engine.engine import Engine
from condmon.engine.records import NO_TIME, SECOND_US, Beacon, Record, samples
from condmon.engine.settings import Machine, Settings
from condmon.engine.usage import BAND
from tests.engine.builders import T0_US, shop, signal
from tests.weekbody import Trouble
from tests.weeks import Shop, settings

CRASH = Trouble("hard-stop", "mill-1", 2, 14.5, 0.5)


@pytest.fixture(scope="module", params=[5, pytest.param(30, marks=pytest.mark.long)])
def month(request: pytest.FixtureRequest) -> tuple[dict, dict, int]:
    """Counters of mill-1 after days with a restart every other one, the truth, and the days."""
    made = Shop(settings(), 11, (CRASH,))
    engine = Engine(made.settings)
    truth = {"turning": 0.0, "power_ons": 0, "door_cycles": 0, "program_runs": 0, "air_l": 0.0}
    truth |= {"travel": 0.0, "bands": Counter()}
    body = made._bodies[0]
    at_x, before = None, {"power": 0.0, "cycle": 0.0, "open": 0.0}
    for day in range(request.param):
        records = list(made.day(day))
        if day % 2:
            engine = Engine.restore(made.settings, engine.snapshot())
        engine.push(records)
        at_x = _add(truth, records, body.machine, at_x, before)
    return engine.usage()["mill-1"], truth, request.param


def _add(truth: dict, records: list[Record], machine: Machine, at_x, before) -> float | None:
    """Counted straight from what was sent, one reading after the other."""
    index = {s.index: s.name for s in machine.signals}
    for record in records:
        if isinstance(record, Beacon) or not hasattr(record, "signal"):
            continue
        for i, value in zip(record.signal.tolist(), record.value.tolist(), strict=True):
            name = index.get(i)
            if name == "position_x":
                truth["travel"] += abs(value - at_x) if at_x is not None else 0.0
                at_x = value
            for signal_name, count in (("power", "power_ons"), ("cycle", "program_runs")):
                if name == signal_name:
                    truth[count] += value > before[name]
                    before[name] = value
            if name == "closed":
                truth["door_cycles"] += value > before["open"]
                before["open"] = value
            if name == "speed" and value > 50:
                truth["turning"] += 60
                truth["bands"][int(value // BAND) * BAND] += 60
            if name == "flow":
                truth["air_l"] += value
    return at_x


@pytest.mark.slow
def test_counters_of_a_month_are_true_within_a_thousandth(month):
    usage, truth, _ = month
    assert truth["travel"] == pytest.approx(sum(usage["travel"]["x"].values()), rel=1e-3)
    assert truth["air_l"] == pytest.approx(usage["air_l"], rel=1e-3)
    assert truth["power_ons"] == usage["power_ons"] + 1 or truth["power_ons"] == usage["power_ons"]
    assert truth["program_runs"] == usage["program_runs"]
    assert truth["door_cycles"] == usage["door_cycles"]
    assert 1 == usage["hard_stops"]


@pytest.mark.slow
def test_hours_by_duty_and_by_speed_band_agree_and_fill_the_month(month):
    usage, truth, days = month
    bands = sum(usage["speed_s"].values())
    assert bands == usage["duty_s"]["turning"]
    assert truth["turning"] == pytest.approx(bands, rel=1e-3)
    watched = sum(usage["duty_s"].values())
    # a cut of power and the change to summer time are in the whole month
    assert days * 86400 - 2400 == pytest.approx(watched, abs=4200)
    assert {2000, 6000, 10000} <= set(usage["speed_s"])


@pytest.mark.slow
def test_hours_of_each_speed_band_are_true_within_a_thousandth(month):
    usage, truth, _ = month
    assert len(truth["bands"]) >= 4
    assert set(truth["bands"]) == set(usage["speed_s"])
    worst = max(
        abs(usage["speed_s"][band] - seconds) / seconds for band, seconds in truth["bands"].items()
    )
    assert worst < 1e-3


def test_counters_of_a_handful_of_seconds():
    parts = (("power", "power"), ("clamp", "tool_clamped"), ("door", "door_closed"),
             ("flow", "air_flow"), ("at", "axis_position"), ("energy", "energy"))  # fmt: skip
    machine = Machine(
        "m", "M", tuple(signal(i, "m", *p, **({"axis": "x"} if p[0] == "at" else {}))
                        for i, p in enumerate(parts)),
    )  # fmt: skip
    engine = Engine(Settings("Pier", shop().calendar, (machine,), digest="x"))
    rows = [(0, 0, 0.0), (0, 2, 1.0), (1, 3, 1.0), (1, 4, 0.0), (1, 5, 1.0), (2, 6, 0.0),
            (2, 7, 1.0), (3, 0, 60.0), (4, 1, 0.0), (4, 2, 80.5), (4, 3, -10.0),
            (5, 0, 100.0), (5, 9, 101.5)]  # fmt: skip
    made = samples(
        [(i, T0_US + s * SECOND_US, NO_TIME, v, 0, 0, 0) for i, s, v in sorted(rows, key=_second)]
    )
    engine.push([made, Beacon(T0_US + 12 * SECOND_US)])
    usage = engine.usage()["m"]
    assert (1, 1, 1) == (usage["power_ons"], usage["tool_changes"], usage["door_cycles"])
    assert 10.0 == pytest.approx(usage["air_l"], abs=1e-6)  # 60 L/min for ten closed seconds
    assert {50: 80.5, -50: 90.5} == usage["travel"]["x"]
    assert 1.5 == usage["energy"]
    assert {"off": 2, "idle": 8} == usage["duty_s"]
    assert np.isclose(sum(usage["duty_s"].values()), 10)


def test_a_counter_that_leaps_beyond_all_counting_adds_nothing():
    machine = Machine("m", "M", (signal(0, "m", "energy", "energy"),))
    engine = Engine(Settings("Pier", shop().calendar, (machine,), digest="x"))
    rows = [(0, T0_US + s * SECOND_US, NO_TIME, v, 0, 0, 0)
            for s, v in enumerate((100.0, 101.5, 1e300, 1e300 + 1e290, 5.0, 7.0))]  # fmt: skip
    engine.push([samples(rows), Beacon(T0_US + 12 * SECOND_US)])
    assert 3.5 == engine.usage()["m"]["energy"]


def _second(row: tuple[int, int, float]) -> int:
    return row[1]
