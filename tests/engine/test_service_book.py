"""The service book: lives that add up, what is refused (service-due: test_service_tasks.py)."""

import pytest

from condmon.engine.engine import Engine
from condmon.engine.records import Filed, Record
from condmon.engine.servicebook.fields import FIELDS, Refused, content_of, key_from
from condmon.engine.servicebook.life import (
    MEASURES,
    amount,
    bearing_use,
    minus,
    minutes_above,
    plus,
)
from condmon.engine.words import number
from condmon.store.packing import pack, unpack
from tests.engine.builders import T0_US
from tests.engine.plaindays import (
    CHANGES,
    ON_H,
    TURNING_H,
    begins_us,
    day,
    ends_us,
    filed,
    settings,
    task,
)

SHOP = settings()
DAYS = 3


@pytest.fixture(scope="module")
def days() -> list[list[Record]]:
    return [day(number, SHOP) for number in range(DAYS)]


def life(engine: Engine, key: str) -> dict[str, int]:
    return engine.servicebook.components.known[key].life_now(engine.counts())


# components


def test_life_is_what_the_machine_ran_between_installed_and_removed(days):
    engine = Engine(SHOP)
    engine.push(days[0])
    at = ends_us(days[0])
    engine.push([filed(at, "component", "spindle-a", name="Spindle unit", serial="NP-1"),
                 filed(at, "installed", "spindle-a", place="spindle")])  # fmt: skip
    before = engine.counts()["mill-1"]
    assert {} == life(engine, "spindle-a")
    engine.push(days[1])
    ran = minus(engine.counts()["mill-1"], before)
    assert ran == life(engine, "spindle-a")
    assert TURNING_H == amount(ran, "hours_turning")
    assert ON_H == amount(ran, "hours_on")
    assert CHANGES == amount(ran, "tool_changes")
    engine.push([filed(ends_us(days[1]), "removed", "spindle-a", to="exchange")])
    engine.push(days[2])
    assert ran == life(engine, "spindle-a")


def test_exchanged_component_carries_its_life_into_another_machine(days):
    engine = Engine(SHOP)
    at = begins_us(days[0])
    used = {"hours_turning": 3200}
    engine.push([filed(at, "component", "spindle-a", name="Spindle unit", used=used),
                 filed(at, "installed", "spindle-a", place="spindle")])  # fmt: skip
    engine.push(days[0])
    first = life(engine, "spindle-a")
    at = ends_us(days[0])
    engine.push([filed(at, "removed", "spindle-a", to="store"),
                 filed(at, "installed", "spindle-a", "mill-2", place="spindle")])  # fmt: skip
    before = engine.counts()["mill-2"]
    engine.push(days[1])
    second = minus(engine.counts()["mill-2"], before)
    assert plus(first, second) == life(engine, "spindle-a")
    assert amount(first, "hours_turning") > 3200


def test_component_back_from_overhaul_starts_at_zero_and_keeps_what_it_had_before():
    engine = Engine(SHOP)
    engine.push([filed(T0_US, "component", "s", name="Spindle", used={"tool_changes": 500}),
                 filed(T0_US, "installed", "s", place="spindle"),
                 filed(T0_US, "removed", "s", to="exchange"),
                 filed(T0_US, "returned", "s", renewed=True, serial="NP-2")])  # fmt: skip
    component = engine.servicebook.components.known["s"]
    assert ("store", "NP-2", {}) == (component.where, component.serial, component.life)
    assert {"tool_changes": 500} == component.life_before


@pytest.mark.parametrize(
    ("record", "reason"),
    [
        (filed(T0_US, "installed", "nothing", place="p"), 'no component "nothing"'),
        (filed(T0_US, "installed", "a", "", place="p"), "in which machine"),
        (filed(T0_US, "installed", "a", "mill-9", place="p"), 'no machine "mill-9"'),
        (filed(T0_US, "installed", "a"), "place is missing"),
        (filed(T0_US, "installed", "b", place="spindle"), "is installed there; remove it first"),
        (filed(T0_US, "removed", "b", to="store"), "is in store, not installed"),
        (filed(T0_US, "removed", "a", to="moon"), "one of store, exchange, scrap"),
        (filed(T0_US, "component", "c", name="x", part_of="c"), "a part of itself"),
        (filed(T0_US, "component", "c", name="x", colour="red"), "has no field colour"),
        (filed(T0_US, "component", "c", name="x", used={"parsecs": 3}), '"parsecs" is no measure'),
        (filed(T0_US, "component", "C D", name="x"), "is no key"),
        (filed(T0_US, "returned", "a"), "was not away"),
        (filed(T0_US, "wobbled", "a"), 'nothing called "wobbled"'),
        (Filed(T0_US, "mill-1", "installed", "kim", "a", "[1]"), "no JSON object"),
        (Filed(T0_US, "mill-1", "installed", "kim", "a", "{" * 9000), "no JSON object"),
        (Filed(T0_US, "mill-1", "done", "kim", "a", '"' + "x" * 100_001 + '"'), "longer than"),
        (filed(T0_US, "task", "t", title="x", sort="service", every={"days": 2}, lead={"days": 2}),
         "must be shorter"),
        (filed(T0_US, "done", "t"), 'no task "t"'),
        (filed(T0_US, "skipped", "t", text=""), "text must be"),
        (filed(T0_US, "done", "t", reading=float("inf")), "reading must be a number"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_refused_in_words_and_changes_nothing(record, reason):
    engine = Engine(SHOP)
    engine.push([filed(T0_US, "component", "a", name="A"), filed(T0_US, "component", "b", name="B"),
                 filed(T0_US, "installed", "a", place="spindle")])  # fmt: skip
    before = engine.servicebook.state()
    [entry] = engine.push([record])
    assert reason in entry.text
    assert "was refused" in entry.text
    assert entry.facts["refused"] is True
    assert before == engine.servicebook.state()


def test_log_line_of_a_filed_record_holds_it_whole():
    record = filed(T0_US, "component", "a", "", name="Filter", maker="Ostrey")
    [entry] = Engine(SHOP).push([record])
    facts = entry.facts
    again = Filed(entry.at_us, facts["filed_for"], facts["what"], facts["by"], facts["key"],
                  facts["content"])  # fmt: skip
    assert record == again
    assert ("condmon", "service") == (entry.machine, entry.kind)
    assert [record] == unpack(pack([record], lambda x: x), lambda x: x)[0]


# odds and ends


def test_every_kind_that_can_be_filed_has_a_part_that_keeps_it():
    parts = Engine(SHOP).servicebook._parts.values()
    kept = {what for part in parts for what in part.whats}
    assert set(FIELDS) - {"carried"} == kept


def test_keys_made_from_names_are_free_and_fit():
    assert "spindle-unit" == key_from("Spindle unit", ())
    assert "spindle-unit-2" == key_from("Spindle / unit!", {"spindle-unit"})
    assert "entry" == key_from("äöü" * 40, ())
    for name in ("Ölfilter links", "x" * 200, "--", "9"):
        content_of(filed(T0_US, "component", key_from(name, ()), name="x"))


def test_content_is_checked_field_by_field():
    with pytest.raises(Refused, match="photo must be"):
        content_of(filed(T0_US, "done", "x", photo="../secret"))
    with pytest.raises(Refused, match="every must be a number above 0 for days"):
        content_of(task(T0_US, every={"days": -1}))


def test_bearing_use_weighs_turns_by_the_cube_of_the_load():
    """By hand: 2 million turns at no load, 1 million at 100 to 125 %: P = 1 + 1.125."""
    counts = {"turns_micro:0": 2 * 10**12, "turns_micro:100": 10**12}
    expected = 2 * 1.125**3 + 2.125**3
    assert expected == pytest.approx(bearing_use(counts), rel=1e-12)
    assert 0.0 == bearing_use({})


def test_minutes_above_a_temperature_add_up_from_the_top():
    counts = {"warm_s:upper:40": 600, "warm_s:upper:45": 120, "warm_s:upper:50": 60,
              "warm_s:lower:20": 60}  # fmt: skip
    expected = {"upper": {40: 13.0, 45: 3.0, 50: 1.0}, "lower": {20: 1.0}}
    assert expected == minutes_above(counts)


@pytest.mark.parametrize(
    ("value", "text"), [(999.4, "999"), (999.99, "1,000"), (-4000.2, "-4,000"), (0.004, "0.0040")]
)
def test_figures_are_written_without_an_exponent(value, text):
    assert text == number(value)


def test_measures_and_their_amounts():
    counts = {"duty_s:off": 50, "duty_s:turning": 3600, "duty_s:idle": 1800, "speed_s:2000": 3600,
              "travel_micro:x:0": 2_000_000_000, "tool_changes": 7}  # fmt: skip
    assert 1.5 == amount(counts, "hours_on")
    assert 1.0 == amount(counts, "hours_turning")
    assert 2.0 == amount(counts, "travel_x")
    assert 7.0 == amount(counts, "tool_changes")
    assert all(0.0 == amount({}, name) for name in MEASURES)
