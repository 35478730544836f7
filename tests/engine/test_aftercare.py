"""What follows from the service book: silence during a visit, questions, runs, spares, models."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert, Entry, Message
from condmon.engine.records import SECOND_US, Beacon, Filed, samples
from condmon.engine.settings import Machine
from condmon.engine.trial.evidence import spares
from condmon.engine.trial.judge import Figures, Finding, judged, open_items, overall, plain
from condmon.engine.trial.points import STEPS, Point, apart, kelvin, stretch
from condmon.engine.trial.trial import Trial
from tests.cases import runner
from tests.engine.builders import T0_US, shop, signal
from tests.engine.test_thermal_file import MODEL

POINT = Point("leaks/x", "leaks", "x", "pressure", "bar", "lower", 0.1, 0.0, low=40.0)
NAN = math.nan


class Bench:
    """One machine whose air flows while it is off: an alert 20 s later."""

    def __init__(self) -> None:
        self.engine, self.now_us = Engine(shop(1)), T0_US
        self.names = {s.name: s.index for s in self.engine.settings.machines[0].signals}

    def seconds(self, count: int, **values: float) -> list:
        rows = [(self.names[n], self.now_us + 1, -(2**63), v, 0, 0, 0) for n, v in values.items()]
        self.now_us += count * SECOND_US
        return self.engine.push([samples(rows), Beacon(self.now_us)])

    def file(self, what: str, key: str = "may", **content) -> list:
        self.now_us += 1
        filed = Filed(self.now_us, "mill-1", what, "kim", key, json.dumps(content))
        return self.engine.push([filed])


def of(outputs: list, kind: type) -> list:
    return [o for o in outputs if isinstance(o, kind)]


def visited() -> Bench:
    bench = Bench()
    bench.seconds(30, power=1, air=30)
    bench.file("visit", title="May visit")
    bench.file("visit_begun")
    return bench


def test_alert_raised_in_a_visit_is_logged_and_told_to_nobody_and_speaks_when_it_ends():
    bench = visited()
    meanwhile = bench.seconds(60, power=0, air=30)
    [alert] = [a for a in of(meanwhile, Alert) if a.check == "air-while-off"]
    assert ("suppressed", "may") == (alert.state, alert.facts["visit"])
    assert [] == of(meanwhile, Message)
    assert any("during the visit, told to nobody" in e.text for e in of(meanwhile, Entry))
    after = bench.file("visit_ended")
    assert ["raised"] == [m.kind for m in of(after, Message) if alert.id in m.alerts]


def test_alert_that_comes_and_goes_in_a_visit_is_never_told():
    bench = visited()
    told = bench.seconds(60, power=0, air=30) + bench.seconds(60, power=1, air=30)
    told += bench.file("visit_ended") + bench.seconds(60, air=30)
    assert [] == [m for m in of(told, Message) if "air" in m.title]


def test_alert_that_came_and_went_in_a_visit_needs_no_explanation():
    bench = visited()
    bench.seconds(60, power=0, air=30)
    last = of(bench.seconds(60, power=1, air=30), Alert)[-1]
    assert ("normal", True) == (last.state, "work was going on" in last.cause)


def test_silence_of_a_visit_that_nobody_ends_has_an_end_of_its_own():
    bench = visited()
    book = bench.engine.watches[0].book
    assert 3 * 86_400 == pytest.approx(book.visit_until - bench.now_us // SECOND_US, abs=5)
    book.visit_until = bench.now_us // SECOND_US + 50
    told = bench.seconds(100, power=0, air=30)
    assert any("was not ended: alerts are told again" in e.text for e in of(told, Entry))
    [message] = [m for m in of(told, Message) if "air flows" in m.title]
    assert book.visit_until == message.at_us // SECOND_US
    assert "goes on by Kim" in bench.file("visit_begun", who="Kim")[0].text
    assert "may" == book.visit


def test_a_new_baseline_ends_what_a_comparison_had_raised_and_it_begins_anew():
    bench = Bench()

    def closings(count: int) -> list:
        """Each with a second push, latched after it."""
        out = bench.seconds(300, power=1, closed=0, latched=0)
        for _ in range(count):
            out += bench.seconds(3, closed=1) + bench.seconds(3, closed=0)
            out += bench.seconds(3, closed=1) + bench.seconds(3, latched=1)
            out += bench.seconds(150, closed=0, latched=0)
        return [a for a in of(out, Alert) if a.check == "door-latch"]

    [raised, *_] = closings(11)
    ended = bench.file("baseline", "new", text="moved")
    [alert] = [a for a in of(ended, Alert) if a.check == "door-latch" and a.ended_us]
    assert raised.id == alert.id
    assert [] == closings(5)  # too few to judge by, as on the first day


def test_no_reminder_comes_while_a_visit_goes_on():
    bench = Bench()
    bench.seconds(60, power=0, air=30)
    bench.file("visit", title="May visit")
    bench.file("visit_begun")
    assert [] == [m for m in of(bench.seconds(300), Message) if m.kind == "reminder"]


def test_a_visit_that_is_going_on_outlives_a_restart():
    bench = visited()
    bench.engine = Engine.restore(bench.engine.settings, bench.engine.snapshot())
    assert [] == of(bench.seconds(60, power=0, air=30), Message)


def test_case_m16_asks_at_both_steps_and_ties_the_first_to_the_service(tmp_path):
    told = [e.text for e in runner.run("M16-probe-shift", tmp_path).entries("service")]
    asked = [text for text in told if "Was that expected?" in text]
    assert 1 == len(asked)  # unanswered, the new level is off all the time: one question
    assert (
        'a step of 17.5 um (6.9 tenths), the first since "spindle service, drawbar set"'
        in (asked[0])
    )


def test_a_probe_that_calibrates_all_day_does_not_flood_the_book():
    machine = Machine("m", "M", (signal(0, "m", "probe", "probe_offset"),))
    engine = Engine(replace(shop(1), machines=(machine,), checks=()))
    rows = [(0, T0_US + i * 60 * SECOND_US, -(2**63), 1.0 + i % 3, 0, 0, 0) for i in range(120)]
    told = engine.push([samples(rows), Beacon(T0_US + 7300 * SECOND_US)])
    assert 1 + 48 == sum(e.kind == "service" for e in of(told, Entry))
    assert 48 == len(engine.servicebook.series.known["m.probe"].values)


def probed(values: list[float]) -> tuple[Engine, list, int]:
    """A probe that calibrated every hour, a visit before the last value, what was told of it."""
    machine = Machine("m", "M", (signal(0, "m", "probe", "probe_offset"),))
    engine, out, now_us = Engine(replace(shop(1), machines=(machine,), checks=())), [], T0_US
    for i, value in enumerate(values):
        now_us += 3600 * SECOND_US
        if i == len(values) - 1:
            for what, content in (("visit", '{"title": "May visit"}'), ("visit_begun", "{}"),
                                  ("visit_ended", "{}")):  # fmt: skip
                engine.push([Filed(now_us - 60 * SECOND_US, "m", what, "kim", "may", content)])
        row = (0, now_us - 5 * SECOND_US, -(2**63), value, 0, 0, 0)
        out = engine.push([samples([row]), Beacon(now_us)])
    return engine, out, now_us


@pytest.mark.parametrize("yes", [True, False])
def test_a_step_that_was_expected_is_closed_and_one_that_was_not_is_an_alert(yes):
    engine, told, now_us = probed([0.5, -0.4, 0.3, -0.6, 0.4, -0.5, 0.2, 12.0])
    [first] = {a.id: a for a in of(told, Alert)}.values()
    filed = Filed(now_us, "m", "expected", "kim", "m.probe", json.dumps({"yes": yes}))
    told = engine.push([filed, Beacon(now_us + 60 * SECOND_US)])
    last = {a.id: a for a in of(told, Alert)}
    assert "note" == first.urgency
    assert "Was that meant?" in first.what
    assert last[first.id].ended_us
    if yes:
        assert ("kim", "expected after: visit May visit is over") == (
            last[first.id].acknowledged_by, last[first.id].cause,
        )  # fmt: skip
        assert [first.id] == list(last)
    else:
        again = [a for a in last.values() if a.id != first.id]
        assert ["today"] == [a.urgency for a in again]
        assert "it was not expected" in again[0].what


@pytest.mark.parametrize(
    ("figures", "verdict", "why"),
    [
        (Figures(55.0, 56.0, 46.0, 30), "pass", "within 5.6 bar of the baseline"),
        (Figures(50.0, 56.0, 46.0, 30), "fail", "6 bar below the baseline"),
        (Figures(65.0, 56.0, 46.0, 30), "pass", "within"),  # only lower is worse
        (Figures(39.0, 41.0, NAN, 30), "fail", "below its limit of 40 bar"),
        (Figures(50.0, NAN, NAN, 30), "pass", "no baseline yet"),
        (Figures(NAN, 56.0, 46.0, 3), "cannot tell", "3 of 5 values"),
        (Figures(50.0, 56.0, NAN, 30, agreed=50.5), "pass", "the confirmed value"),
    ],
)
def test_verdict_goes_by_limit_baseline_and_what_came(figures, verdict, why):
    found = judged(POINT, figures)
    assert verdict == found.verdict
    assert why in found.why


def test_without_limit_and_baseline_nothing_can_be_told():
    point = Point("axes/x", "axes", "x", "load", "%", "higher", 0.2, 3.0)
    assert "cannot tell" == judged(point, Figures(20.0, NAN, NAN, 30)).verdict


def test_the_worst_figure_is_the_verdict_and_steps_nobody_watches_are_open_items():
    good = judged(POINT, Figures(55.0, 56.0, NAN, 30))
    bad = judged(POINT, Figures(30.0, 56.0, NAN, 30))
    assert ("pass", "fail", "cannot tell") == (overall([good]), overall([good, bad]), overall([]))
    items = open_items([good, bad])
    assert items[0].startswith("fail: pressure: 30 bar, baseline 56 bar")
    assert len(STEPS) == len(items)  # one failed, all steps but leaks are not watched
    assert plain(good)["before"] is None


def test_tolerances_of_the_run_are_in_the_unit_of_the_signal():
    probe = signal(0, "m", "p", "probe_offset", unit="mm", range=None)
    hot = signal(1, "m", "b", "bearing_temperature", unit="[degF]")
    assert 0.004 == pytest.approx(apart(4.0, "um", probe))
    assert (5.4, "[degF]") == (pytest.approx(apart(3.0, "K", hot)), kelvin(hot))
    assert 3.0 == apart(3.0, "K", probe)


def test_a_probe_that_sends_mm_has_its_series_in_um():
    machine = Machine("m", "M", (signal(0, "m", "p", "probe_offset", unit="mm", tolerance=0.01),))
    engine = Engine(replace(shop(1), machines=(machine,), checks=()))
    engine.push([samples([(0, T0_US, -(2**63), 0.002, 0, 0, 0)]), Beacon(T0_US + 9 * SECOND_US)])
    series = engine.servicebook.series.known["m.p"]
    assert ("um", 4.0, 10.0) == (series.unit, series.least, pytest.approx(series.tolerance))
    assert 2.0 == pytest.approx(series.values[0].value)


def test_a_stretch_is_cut_by_a_hole_in_the_minutes():
    minute = np.array([1, 2, 3, 6, 7])
    carried = [-2, 0]
    assert [1, 2, 3, 1, 2] == stretch(minute, np.ones(5, bool), carried).tolist()
    assert [3] == stretch(np.array([8]), np.ones(1, bool), carried).tolist()


def test_without_anything_learned_a_run_can_tell_nothing():
    trial = Trial(shop(1).machines[0])
    trial.begin(1)
    assert "cannot tell" == overall(trial.findings())


def test_the_baseline_outlives_a_changed_configuration_as_far_as_signals_are_still_there():
    machine = replace(shop(1).machines[0])
    gone = Point("axes/gone", "axes", "gone", "load of a sold axis", "%", "higher", 0.2, 3.0)
    kept = Point("air/pressure", "air", "air", "pressure", "bar", "lower", 0.1, 0.2)
    points = [[p.plain(), [5.9, 6.0, 6.1], 4.8] for p in (gone, kept)]
    engine = Engine(replace(shop(1), machines=(machine,)))
    cargo = engine.cargo()
    cargo.book["visits"]["bases"] = {"mill-1": {"points": points, "good": {}, "before": {}}}
    engine.carry(cargo)
    trial = engine.watches[0].after.trial
    [found] = trial.findings()
    assert ("air/pressure", 6.0, 4.8) == (found.key, found.base, found.before)
    assert [points[1]] == trial.base()["points"]


def test_a_run_that_was_on_has_to_begin_anew_after_a_changed_configuration():
    bench = visited()
    bench.file("visit_ended")
    bench.file("trial")
    cargo = bench.engine.cargo()
    bench.engine = Engine(bench.engine.settings)
    bench.engine.carry(cargo)
    assert "begin one" in of(bench.file("checked"), Entry)[0].text


def test_the_longest_verdict_fits_into_a_line_of_the_book():
    trial = Trial(shop(1).machines[0])
    base = {"points": [
        [Point(f"speed/bearing/{i}", "speed", "bearing", "upper bearing over its surroundings, "
               f"settled at {i} /min", "K", "higher", 0.0, 3.0).plain(), [5.1, 5.2, 5.3], 7.25]
        for i in range(200)
    ]}  # fmt: skip
    trial.put_base(base)
    trial.begin(1)
    for key in trial._points:
        trial._run[key] = [9.123456] * 5
    engine = Engine(shop(1))
    engine.watches[0].after.trial = trial
    made = engine.watches[0].after._verdict()
    assert (200, 61) == (len(made["findings"]), len(made["open"]))
    assert len(json.dumps(made)) < 100_000


def test_evidence_names_calibrations_that_wait_for_an_answer_or_are_out_of_tolerance():
    engine, _, now_us = probed([0.5, -0.4, 0.3, -0.6, 0.4, -0.5, 0.2, 12.0])

    def lines(key: str) -> list[str]:
        filed = Filed(now_us, "m", "visit", "kim", key, '{"title": "June"}')
        entries = of(engine.push([filed]), Entry)
        [made] = [e for e in entries if e.facts["what"] == "evidence"]
        found = json.loads(made.facts["content"])["lines"]
        return [text for kind, text in found if kind == "calibration"]

    assert ["probe: a step of 12 um (4.7 tenths), not answered"] == lines("june")
    series = engine.servicebook.series.known["m.probe"]
    engine.push([Filed(now_us, "m", "expected", "kim", "m.probe", '{"yes": true}')])
    series.tolerance = 10.0
    assert ["probe: 12 um (4.7 tenths), out of tolerance"] == lines("july")


def test_spares_follow_from_what_shows_wear_each_once_with_the_first_reason():
    machine = Machine("m", "M", (signal(0, "m", "load_y", "axis_load", axis="y"),))
    drift = (Point("axes/load_y", "axes", "load_y", "load of y", "%", "higher", 0.2, 3.0), 20, 30)
    found = dict(spares(machine, [], [drift, drift]))
    assert {
        "ball screw bearing block of the Y axis": "load of y: baseline 20 %, now 30 % (+50 %)",
        "wipers of the Y axis": "load of y: baseline 20 %, now 30 % (+50 %)",
    } == found


def test_a_fitted_model_judges_settling_and_heat_of_a_speed_step():
    parts = (("power", "power", {}), ("speed", "spindle_speed", {}),
             ("upper", "bearing_temperature", {}), ("room", "room_temperature", {}),
             ("supply", "coolant_supply_temperature", {}))  # fmt: skip
    machine = Machine(
        "mill-1", "M", tuple(signal(i, "mill-1", n, r, **m) for i, (n, r, m) in enumerate(parts))
    )
    bearing = MODEL.bearings["upper"]
    warm = bearing.steady(12_000.0, bearing.around(22.0, 20.0))
    assert "pass" == _heat_verdict(machine, warm)
    assert "fail" == _heat_verdict(machine, warm + 6.0)


def _heat_verdict(machine: Machine, temp_c: float) -> str:
    """The verdict on heat by the model after two hours at a speed, settled at a temperature."""
    settings = replace(shop(1), machines=(machine,), checks=())
    engine = Engine(settings)
    trial = engine.watches[0].after.trial
    trial.take_model(MODEL.content())
    trial.begin(1)
    for minute in range(120):
        values = (1.0, 12_000.0, temp_c, 20.0, 22.0)
        at_us = T0_US + minute * 60 * SECOND_US
        rows = [(i, at_us + i, -(2**63), v, 0, 0, 0) for i, v in enumerate(values)]
        engine.push([samples(rows), Beacon(at_us + 60 * SECOND_US)])
    found: dict[str, Finding] = {f.key: f for f in trial.findings()}
    return found["speed/upper/model"].verdict
