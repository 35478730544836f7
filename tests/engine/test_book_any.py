"""Whatever is filed, in whatever order: nothing raises, and the log alone gives the same book."""

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from condmon.clock import SiteCalendar
from condmon.commands.visittext import visit_words
from condmon.engine.records import Filed
from condmon.engine.servicebook.book import ServiceBook
from condmon.engine.servicebook.carry import Cargo, cargo_of, from_entries
from condmon.engine.servicebook.fields import FIELDS
from tests.engine.builders import T0_US
from tests.generated import generated

MACHINES = {"mill-1": "Mill one", "mill-2": "Mill two"}
MILLS = ("mill-1", "mill-1", "mill-1", "mill-2")
KEYS = ("a", "b", "c", "Not A Key", "")
numbers = st.one_of(st.integers(-3, 400), st.floats(allow_nan=True), st.just(10**400))
plain = st.one_of(
    st.none(), st.booleans(), numbers, st.text(max_size=5),
    st.sampled_from(["spindle", "store", "exchange", "good", "bad", "service", "a", "b"]),
    st.just("x" * 90), st.lists(st.text(max_size=3), max_size=2),
)  # fmt: skip
measures = st.dictionaries(
    st.sampled_from(["days", "hours_turning", "tool_changes", "parsecs"]), numbers, max_size=2
)
JUDGED = {"step": "cold", "words": "upper", "unit": "Cel", "verdict": "fail", "why": "warm",
          "now": 41.5, "base": None, "before": 30}  # fmt: skip
nested = st.recursive(
    plain, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(
        st.sampled_from([*JUDGED, "x"]), inner, max_size=3), max_leaves=6)  # fmt: skip
FITTING: dict[str, dict[str, Any]] = {
    "component": {"name": "Unit"}, "installed": {"place": "spindle"}, "removed": {"to": "exchange"},
    "returned": {"renewed": True}, "done": {}, "inspected": {"found": "bad"}, "retired": {},
    "task": {"title": "Oil", "sort": "service", "every": {"hours_turning": 5, "days": 9}},
    "skipped": {"text": "no time"}, "visit": {"title": "November"},
    "finding": {"text": "a tooth is gone"}, "part": {"name": "seal", "taken": 2},
    "series": {"title": "Backlash"}, "measured": {"value": 3.5}, "visit_begun": {},
    "visit_ended": {}, "evidence": {"lines": [["open", "hot"]], "spares": [["seal", "worn"]]},
    "verdict": {"verdict": "fail", "steps": {"cold": "fail"}, "not_watched": [], "open": ["door"],
                "findings": [JUDGED], "shapes": {"x": {"now": [1.0, 2.0]}}},
}  # fmt: skip
OWN = {"evidence", "verdict"}


@st.composite
def odd(draw: st.DrawFn) -> tuple[str, str, str, str, str]:
    """Machine, what, by, key and content that hardly fit together."""
    what = draw(st.sampled_from([*FIELDS, "explode"]))
    must, may = FIELDS.get(what, ({}, {}))
    made = dict(FITTING.get(what, {}))
    for name in [*must, *may]:
        if name != "*" and draw(st.booleans()):
            given = measures if name in {"every", "lead", "used"} else plain
            made[name] = draw(nested if what in OWN else given)
    content = draw(st.just(json.dumps(made)) | st.text(max_size=20))
    machine = draw(st.sampled_from(["mill-1", "mill-2", "", "mill-9"]))
    return machine, what, draw(st.sampled_from(["kim", ""])), draw(st.sampled_from(KEYS)), content


@st.composite
def usual(draw: st.DrawFn) -> tuple[str, str, str, str, str]:
    """The same as a shop would file it, though not always in an order that fits."""
    what = draw(st.sampled_from(list(FITTING)))
    machine = "" if what in {"component", "returned"} else draw(st.sampled_from(MILLS))
    by = "" if what in OWN else "kim"
    return machine, what, by, draw(st.sampled_from("ab")), json.dumps(FITTING[what])


@st.composite
def diaries(draw: st.DrawFn) -> list[Filed]:
    """A book with something in it, and then what comes."""
    rows = [("mill-1" if what != "component" else "", what, "kim", key, json.dumps(FITTING[what]))
            for what in ("component", "task", "visit", "series") for key in "ab"]  # fmt: skip
    rows += draw(st.lists(usual() | usual() | usual() | odd(), min_size=20, max_size=50))
    return [Filed(T0_US + i * 10**9, *row) for i, row in enumerate(rows)]


def counts(step: int) -> dict[str, dict[str, int]]:
    """Counters that grow, differently at each machine."""
    return {
        "mill-1": {"speed_s:2000": 500 * step, "tool_changes": 3 * step, "duty_s:turning": 9},
        "mill-2": {"speed_s:4000": 70 * step, "turns_micro:0": 10**6 * step},
    }


@generated(usual=40, per_mille=2)
@given(diaries())
def test_any_diary_is_taken_or_refused_and_the_log_alone_gives_the_same_book(diary):
    book, entries = ServiceBook(), []
    for step, record in enumerate(diary):
        before = json.dumps(book.state())
        told = book.take(record, MACHINES, counts(step))
        entries.append(told.entry)
        if told.refused:
            assert before == json.dumps(book.state())
            assert "was refused" in told.entry.text
    rebuilt = from_entries(entries, T0_US + 10**15)
    assert book.state() == rebuilt.book
    again = ServiceBook()
    again.load(json.loads(json.dumps(book.state())))
    assert book.state() == again.state()


@settings(max_examples=30, deadline=None)
@given(diaries())
def test_what_is_carried_arrives_whole(diary):
    book = ServiceBook()
    for step, record in enumerate(diary):
        book.take(record, MACHINES, counts(step))
    cargo = Cargo(book.state(), counts(40), {"mill-1": [[T0_US, {"hours_turning": 5}]]})
    arrived, refused = cargo_of(cargo.filed(T0_US))
    assert (cargo, "") == (arrived, refused)


ODD = [None, 7, "x", ["x"], [["a"]], [["a", 1]], [[]], {}, {"x": 1}, [{}], [{**JUDGED, "now": "x"}]]


@pytest.mark.parametrize("field", ["lines", "spares", "steps", "not_watched", "findings", "open",
                                   "shapes"])  # fmt: skip
@pytest.mark.parametrize("value", ODD)
def test_own_records_that_are_none_are_refused_and_those_taken_can_be_shown(field, value):
    what = "evidence" if field in {"lines", "spares"} else "verdict"
    book = ServiceBook()
    for kind in ("visit", "visit_begun", "visit_ended", "trial"):
        content = json.dumps(FITTING.get(kind, {}))
        book.take(Filed(T0_US, "mill-1", kind, "kim", "a", content), MACHINES, {})
    odd = json.dumps({**FITTING[what], field: value})
    told = book.take(Filed(T0_US, "mill-1", what, "", "a", odd), MACHINES, {})
    assert told.refused or "a" in visit_words(book.visits.known["a"], SiteCalendar("UTC"))


def test_own_records_as_the_engine_writes_them_are_taken():
    book = ServiceBook()
    for kind in ("visit", "evidence", "verdict"):
        by = "" if kind in OWN else "kim"
        content = json.dumps(FITTING[kind])
        assert not book.take(Filed(T0_US, "mill-1", kind, by, "a", content), MACHINES, {}).refused
