"""Visits and series as a fold over what was filed: what fits, what is refused, what follows."""

import json

import pytest

from condmon.engine.records import Filed
from condmon.engine.servicebook.book import ServiceBook, Told
from condmon.engine.servicebook.series import key_of_signal
from condmon.trade.series import Chart
from tests.engine.builders import T0_US
from tests.trade.vectors import vector

MACHINES = {"mill-1": "Five-axis mill", "mill-2": "Mill"}


class Desk:
    """Files one thing a minute."""

    def __init__(self) -> None:
        self.book, self.at_us = ServiceBook(), T0_US

    def file(
        self, what: str, key: str, by: str = "kim", machine: str = "mill-1", **content
    ) -> Told:
        self.at_us += 60_000_000
        filed = Filed(self.at_us, machine, what, by, key, json.dumps(content))
        return self.book.take(filed, MACHINES, {})

    def text(self, *args, **more) -> str:
        return self.file(*args, **more).entry.text


def verdict(word: str, **more) -> dict:
    return {"verdict": word, "steps": {}, "not_watched": [], "findings": [], "open": [],
            "shapes": {}} | more  # fmt: skip


def visited() -> Desk:
    desk = Desk()
    desk.file("visit", "may", title="May visit")
    desk.file("visit_begun", "may", who="Kim and Robin")
    desk.file("visit_ended", "may")
    return desk


def test_a_visit_goes_from_planned_over_open_and_ended_to_signed():
    desk = Desk()
    visit = lambda: desk.book.visits.known["may"]  # noqa: E731
    desk.file("visit", "may", title="May visit")
    assert "planned" == visit().state
    desk.file("visit_begun", "may", who="Kim")
    assert ("open", "Kim") == (visit().state, visit().who)
    desk.file("visit_ended", "may")
    assert "ended" == visit().state
    desk.file("trial", "may")
    desk.file("verdict", "may", by="", **verdict("cannot tell", open=["door"]))
    assert "signed for with 1 open items" in desk.text("signed", "may", by="robin")
    assert ("signed", "robin", ["door"]) == (
        visit().state, visit().signed_by, visit().signed_open,
    )  # fmt: skip


def test_a_failed_run_cannot_be_signed_for():
    desk = visited()
    desk.file("trial", "may")
    desk.file("verdict", "may", by="", **verdict("fail"))
    told = desk.file("signed", "may")
    assert told.refused
    assert "has failed" in told.entry.text


def test_a_verdict_of_an_earlier_run_does_not_do_for_a_new_one():
    desk = visited()
    desk.file("trial", "may")
    desk.file("verdict", "may", by="", **verdict("pass"))
    desk.file("trial", "may")
    assert "no judged" in desk.text("signed", "may")


def test_nobody_but_condmon_files_a_verdict_or_evidence():
    desk = visited()
    desk.file("trial", "may")
    assert desk.file("verdict", "may", by="kim", **verdict("pass")).refused
    assert desk.file("evidence", "may", by="kim", lines=[], spares=[]).refused
    assert [] == desk.book.visits.known["may"].verdicts


@pytest.mark.parametrize("what", ["trial", "checked", "signed", "visit_ended"])
def test_what_comes_too_early_is_refused_and_changes_nothing(what):
    desk = Desk()
    desk.file("visit", "may", title="May visit")
    before = json.dumps(desk.book.state())
    told = desk.file(what, "may")
    assert told.refused
    assert f"{what} was refused: " in told.entry.text
    assert before == json.dumps(desk.book.state())


def test_two_visits_cannot_go_on_at_one_machine():
    desk = Desk()
    desk.file("visit", "may", title="May visit")
    desk.file("visit", "june", title="June visit")
    desk.file("visit_begun", "may")
    assert "is going on" in desk.text("visit_begun", "june")


def test_parts_that_were_taken_along_and_not_brought_back_are_named_at_the_end():
    desk = Desk()
    desk.file("visit", "may", title="May visit")
    desk.file("part", "may", name="wiper", taken=3)
    desk.file("visit_begun", "may")
    desk.file("part", "may", name="wiper", used=1, returned=1)
    assert "neither used nor brought back: 1 wiper" in desk.text("visit_ended", "may")


def test_more_parts_used_than_taken_along_is_refused():
    desk = visited()
    desk.file("part", "may", name="hose", taken=1)
    assert desk.file("part", "may", name="hose", used=1, returned=1).refused
    assert 0 == desk.book.visits.known["may"].parts[0].used


def test_a_step_in_a_series_asks_and_the_answer_begins_a_new_base():
    desk = Desk()
    desk.file("series", "runout", title="Runout at the nose", unit="um")
    for value in (3.0, 3.4, 2.8, 3.1, 3.3, 2.9):
        assert "expected?" not in desk.text("measured", "runout", value=value)
    desk.file("visit", "may", title="May visit")
    desk.file("visit_begun", "may")
    desk.file("visit_ended", "may")
    asked = desk.text("measured", "runout", value=9.0)
    assert "Was that expected?" in asked
    assert "the first since" in asked
    assert "May visit" in asked
    desk.file("expected", "runout", yes=True)
    series = desk.book.series.known["runout"]
    assert [] == series.open_steps()
    assert 2 == len({*series.begins, 0})
    assert "expected?" not in desk.text("measured", "runout", value=9.2)


def test_a_step_that_was_not_expected_leaves_the_base_as_it_was():
    desk = Desk()
    desk.file("series", "runout", title="Runout", unit="um")
    for value in (3.0, 3.4, 2.8, 3.1, 3.3, 9.0):
        desk.file("measured", "runout", value=value)
    assert "was not expected" in desk.text("expected", "runout", yes=False)
    series = desk.book.series.known["runout"]
    assert ([], []) == (series.begins, series.open_steps())


def test_seven_tenths_are_17_78_um_in_a_series():
    desk = Desk()
    desk.file("series", "tram", title="Tram", unit="um", tolerance=10.0)
    text = desk.text("measured", "tram", value=7, unit="tenths", when="before")
    assert 17.78 == pytest.approx(desk.book.series.known["tram"].values[0].value)
    assert "17.8 um (7 tenths)" in text
    assert "beyond its tolerance" in text


@pytest.mark.parametrize(
    ("what", "key", "more", "words"),
    [
        ("visit", "june", {"machine": "", "title": "June"}, "say which machine it is about"),
        ("visit", "may", {"title": "again"}, "visit May visit is ended; plan another one"),
        ("visit", "may", {"machine": "mill-2", "title": "x"}, "visit may belongs to mill-1"),
        ("finding", "mai", {"text": "x"}, 'there is no visit "mai"; did you mean "may"?'),
        ("finding", "may", {"machine": "mill-2", "text": "x"}, "visit may belongs to mill-1"),
        ("part", "may", {"name": "hose"}, "say how many were taken, used or returned"),
        ("checked", "may", {}, "no return-to-service run is on; begin one"),
        ("trial", "planned", {}, "visit Later is planned; a run follows when it is over"),
        ("baseline", "b", {"machine": ""}, "say which machine"),
        ("series", "tram", {"machine": "mill-2", "title": "x"}, "series tram belongs to mill-1"),
        ("series", "tram", {"title": "Tram", "unit": "bar"}, "another unit is another series"),
        ("series", "new", {"title": "x", "unit": "ell"}, '"ell" is no unit'),
        ("measured", "tran", {"value": 1}, 'there is no series "tran"; did you mean "tram"?'),
        ("measured", "tram", {"machine": "mill-2", "value": 1}, "series tram belongs to mill-1"),
        ("measured", "tram", {"value": 1, "visit": "june"}, 'there is no visit "june"'),
        ("expected", "tram", {"yes": True}, "Tram has no step that waits for an answer"),
    ],
)
def test_what_does_not_fit_is_refused_in_words_and_changes_nothing(what, key, more, words):
    desk = visited()
    desk.file("visit", "planned", title="Later")
    desk.file("series", "tram", title="Tram", unit="um")
    desk.file("measured", "tram", value=1.0)
    before = json.dumps(desk.book.state())
    told = desk.file(what, key, **more)
    assert told.refused
    assert words in told.entry.text
    assert before == json.dumps(desk.book.state())


def test_a_visit_that_is_planned_anew_keeps_its_parts_and_a_signed_one_is_not_begun_again():
    desk = Desk()
    desk.file("visit", "may", title="May")
    desk.file("part", "may", name="hose", taken=2)
    assert "planned anew" in desk.text("visit", "may", title="May visit")
    assert ["hose"] == [p.name for p in desk.book.visits.known["may"].parts]
    for what in ("visit_begun", "visit_ended", "trial"):
        desk.file(what, "may")
    desk.file("verdict", "may", by="", **verdict("pass"))
    desk.file("signed", "may")
    assert "is signed for; plan another one" in desk.text("visit_begun", "may")


def test_a_baseline_waits_until_the_work_is_over():
    desk = Desk()
    desk.file("visit", "may", title="May")
    desk.file("visit_begun", "may")
    assert "a visit is going on" in desk.text("baseline", "moved")
    desk.file("visit_ended", "may")
    assert "a new baseline begins for Five-axis mill" in desk.text("baseline", "moved")


@pytest.mark.parametrize("unit", ["bar", "furlong"])
def test_a_value_in_another_quantity_is_refused(unit):
    desk = Desk()
    desk.file("series", "tram", title="Tram", unit="um")
    assert desk.file("measured", "tram", value=7, unit=unit).refused


def test_the_book_is_the_same_after_a_restart():
    desk = visited()
    desk.file("series", "tram", title="Tram", unit="um")
    desk.file("measured", "tram", value=7, visit="may", when="after")
    desk.file("part", "may", name="hose", taken=1)
    desk.file("finding", "may", text="wiper torn")
    other = ServiceBook()
    other.load(json.loads(json.dumps(desk.book.state())))
    assert desk.book.state() == other.state()


def test_the_key_of_a_long_or_odd_signal_name_is_still_a_key():
    assert "mill-1.probe" == key_of_signal("mill-1", "probe")
    assert 64 == len(key_of_signal("m" * 50, "p" * 60))
    assert "m.a-b" == key_of_signal("M", "a b")


def filed_series(values: list[float], **known: float) -> Chart:
    """The chart of a series whose values were filed one by one."""
    desk = Desk()
    desk.file("series", "x", title="x", unit="1", **known)
    for value in values:
        desk.file("measured", "x", value=value)
    return desk.book.series.known["x"].chart()


def test_values_filed_in_the_book_have_nist_limits_of_individuals():
    v = vector("imr")  # NIST/SEMATECH e-Handbook 6.3.2.2, second hand
    chart = filed_series(v.input["x"])
    assert (v.expected["lcl"], v.expected["ucl"]) == (
        pytest.approx(chart.phases[0].low, abs=v.tol),
        pytest.approx(chart.phases[0].high, abs=v.tol),
    )


def test_values_filed_in_the_book_have_nist_ewma():
    v = vector("ewma")  # NIST/SEMATECH e-Handbook 6.3.2.4, second hand
    chart = filed_series(v.input["x"], target=v.input["target"], sigma=v.input["s"])
    assert v.expected["ewma2dp"][1:] == pytest.approx(chart.ewma.tolist(), abs=0.0051)
    assert v.expected["ucl"] == pytest.approx(chart.ewma_high[-1], abs=1e-2)  # nearly the final one
