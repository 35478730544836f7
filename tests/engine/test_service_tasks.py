"""Tasks of the service book: due, overdue, done; the starter set; the law of the engine.

The check `service-due` has its facts here: no recipe of the simulated shop files anything.
"""

from collections.abc import Sequence

import numpy as np
import pytest

from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert, Entry, Output
from condmon.engine.records import SECOND_US, Beacon, Record, Samples
from condmon.engine.servicebook.duework import a_day
from condmon.engine.servicebook.starter import starter_set
from tests.engine.builders import T0_US
from tests.engine.plaindays import (
    DAY_US,
    TURNING_H,
    begins_us,
    day,
    ends_us,
    filed,
    settings,
    task,
    told,
)
from tests.engine.test_engine_cuts import lines

SHOP, TWO = settings(1), settings(2)
DAYS = 4


@pytest.fixture(scope="module")
def days() -> list[list[Record]]:
    return [day(number, SHOP) for number in range(DAYS)]


# tasks


def alerts(outputs: Sequence[Output]) -> list[tuple[str, str, str]]:
    """(what happened, urgency, title) of the tasks' alerts."""
    return [
        ("ended" if o.ended_us else "raised", o.urgency, o.title)
        for o in outputs
        if isinstance(o, Alert) and o.check == "service-due"
    ]


def test_task_by_running_hours_is_a_note_first_then_for_today_and_ends_when_done(days):
    engine = Engine(SHOP)
    engine.push([task(begins_us(days[0]), every={"hours_turning": 15}, lead={"hours_turning": 6},
                      do=["Let it run out warm."])])  # fmt: skip
    out = [o for one in days[:2] for o in engine.push(one)]
    assert [
        ("raised", "note", "service due: Change the oil"),
        ("ended", "note", "service due: Change the oil"),
        ("raised", "today", "service overdue: Change the oil"),
    ] == alerts(out)
    said = [o for o in out if isinstance(o, Alert) and o.check == "service-due"]
    assert "hours with the spindle turning" in said[0].what
    assert ("Let it run out warm.",) == said[0].look_first
    assert "Lock out" in said[0].caution
    assert 15 <= engine.usage()["mill-1"]["duty_s"]["turning"] / 3600
    out = engine.push([filed(ends_us(days[1]), "done", "oil", reading=3.5)])
    assert [("ended", "today", "service overdue: Change the oil")] == alerts(out)
    assert ["normal"] == [o.state for o in out if isinstance(o, Alert)]
    assert ["done: Change the oil (oil), reading 3.5"] == told(out)
    assert [] == alerts(engine.push(days[2][:10]))


def test_ended_task_is_no_unexplained_alert(days):
    engine = Engine(SHOP)
    at = begins_us(days[0])
    engine.push([task(at, every={"days": 30}, used={"days": 40})])
    engine.push(days[0])
    engine.push([filed(ends_us(days[0]), "done", "oil")])
    assert [] == engine.open_alerts()
    assert {} == engine.watches[0].book.closed


def test_whichever_limit_comes_first_makes_a_task_due(days):
    engine = Engine(SHOP)
    at = begins_us(days[0])
    engine.push([task(at, every={"hours_turning": 5000, "days": 2})])
    out = [o for one in days for o in engine.push(one)]
    assert [("raised", "today", "service overdue: Change the oil")] == alerts(out)
    raised = next(o for o in out if isinstance(o, Alert) and o.check == "service-due")
    late_us = raised.raised_us + SECOND_US - at - 2 * DAY_US
    assert 0 <= late_us <= 3600 * SECOND_US
    assert "days" in raised.what


def test_skipped_task_starts_over_and_counts_how_often():
    engine = Engine(SHOP)
    engine.push([task(T0_US, every={"days": 30}, used={"days": 31})])
    out = engine.push([filed(T0_US + 1, "skipped", "oil", text="no oil here")])
    assert ["skipped this time: Change the oil (oil): no oil here"] == told(out)
    known = engine.servicebook.tasks.known["oil"]
    assert (1, 0, "later") == (known.skipped, known.last_us, known.standing({}, T0_US + DAY_US))
    engine.push([filed(T0_US + 2, "done", "oil")])
    assert 0 == known.skipped


def test_task_put_off_is_quiet_until_then():
    engine = Engine(SHOP)
    engine.push([task(T0_US, every={"days": 30}, used={"days": 31})])
    engine.push([filed(T0_US, "skipped", "oil", text="part not here", days=3)])
    known = engine.servicebook.tasks.known["oil"]
    assert "later" == known.standing({}, T0_US + 3 * DAY_US - 1)
    assert "overdue" == known.standing({}, T0_US + 3 * DAY_US)


def test_what_was_written_late_counts_from_the_day_it_was_done():
    engine = Engine(SHOP)
    engine.push([task(T0_US, every={"days": 30}, used={"days": 20})])
    engine.push([filed(T0_US, "done", "oil", on_us=T0_US - 4 * DAY_US)])
    known = engine.servicebook.tasks.known["oil"]
    assert 4 == known.nearest_limit({}, T0_US).used
    for late_us in (T0_US + 1, T0_US - 400 * DAY_US, T0_US - 5 * DAY_US):
        [entry] = engine.push([filed(T0_US, "done", "oil", on_us=late_us)])
        assert "was refused" in entry.text


def test_what_an_inspection_found_bad_speaks_for_a_visit():
    engine = Engine(SHOP)
    engine.push([task(T0_US, every={"days": 90}, unit="mm")])
    engine.push([filed(T0_US, "inspected", "oil", found="bad", reading=3.5, text="torn")])
    engine.push([filed(T0_US, "visit", "nov", title="November")])
    [visit] = engine.servicebook.visits.of("mill-1")
    assert ["inspection", "Change the oil: found bad 3.5 mm: torn"] in visit.evidence


def test_photo_of_an_inspection_stands_in_the_log_as_photos_of_notes_do():
    engine = Engine(SHOP)
    engine.push([task(T0_US, every={"days": 90})])
    out = engine.push([filed(T0_US, "done", "oil", photo="0123456789abcdef01234567")])
    assert ["done: Change the oil (oil) [photo 0123456789abcdef01234567]"] == told(out)


def seconds_around_an_hour() -> list[Record]:
    """As live: a beacon every second, samples of the last minutes of an hour of work."""
    hour = [r for r in day(0, SHOP)[8 * 8 : 9 * 8] if isinstance(r, Samples)]
    start_us = begins_us(hour) + 3500 * SECOND_US
    beacons = [Beacon(start_us + second * SECOND_US) for second in range(160)]
    return [*hour, *beacons]


def test_a_task_falls_due_at_the_same_second_live_and_at_once():
    first = task(begins_us(day(0, SHOP)), every={"hours_on": 1}, used={"hours_on": 0.98})
    records = [first, *seconds_around_an_hour()]
    whole, engine = Engine(SHOP), Engine(SHOP)
    outputs = whole.push(records)
    assert [("raised", "today", "service overdue: Change the oil")] == alerts(outputs)
    assert lines(outputs) == lines([o for r in records for o in engine.push([r])])
    assert whole.counts() == engine.counts()


def test_reading_out_of_its_limits_is_said():
    engine = Engine(SHOP)
    engine.push([task(T0_US, every={"days": 7}, unit="%", low=5.0, high=10.0)])
    low = engine.push([filed(T0_US, "inspected", "oil", found="watch", reading=3.8)])
    assert ["inspected, watch: Change the oil (oil), reading 3.8 % (below 5)"] == told(low)


def test_new_component_starts_the_tasks_of_its_place_and_a_used_one_brings_its_hours(days):
    engine = Engine(SHOP)
    at = begins_us(days[0])
    used = {"hours_turning": 60}
    engine.push([task(at, every={"hours_turning": 100}, place="spindle"),
                 filed(at, "component", "new", name="New spindle"),
                 filed(at, "component", "old", name="Old spindle", used=used)])  # fmt: skip
    engine.push(days[0])
    known, at = engine.servicebook.tasks.known["oil"], ends_us(days[0])
    assert TURNING_H == known.nearest_limit(engine.counts()["mill-1"], at).used
    engine.push([filed(at, "installed", "new", place="spindle")])
    assert 0 == known.nearest_limit(engine.counts()["mill-1"], at).used
    engine.push([filed(at, "removed", "new", to="store"),
                 filed(at, "installed", "old", place="spindle")])  # fmt: skip
    assert 60 == known.nearest_limit(engine.counts()["mill-1"], at).used


def test_forecast_follows_recent_use(days):
    engine = Engine(SHOP)
    engine.push([task(begins_us(days[0]), every={"hours_turning": 200})])
    for one in days:
        engine.push(one)
    now_us, counts = ends_us(days[-1]), engine.counts()["mill-1"]
    known, due = engine.servicebook.tasks.known["oil"], engine.watches[0].due
    rate = a_day(due.days, "hours_turning", counts, now_us)
    left = known.nearest_limit(counts, now_us).left
    assert rate == pytest.approx(TURNING_H, rel=0.05)
    assert due.due_us(known, counts, now_us) == pytest.approx(now_us + left / rate * DAY_US, abs=2)


def test_without_days_to_go_by_there_is_no_forecast():
    engine = Engine(SHOP)
    engine.push([task(T0_US, every={"hours_turning": 200})])
    known = engine.servicebook.tasks.known["oil"]
    assert engine.watches[0].due.due_us(known, {}, T0_US) is None


def test_changed_task_keeps_its_count(days):
    engine = Engine(SHOP)
    engine.push([task(begins_us(days[0]), every={"hours_turning": 100})])
    engine.push(days[0])
    at, counts = ends_us(days[0]), engine.counts()["mill-1"]
    used = engine.servicebook.tasks.known["oil"].nearest_limit(counts, at).used
    engine.push([task(at, every={"hours_turning": 50}, caution="Hot oil.")])
    left = engine.servicebook.tasks.known["oil"].nearest_limit(counts, at)
    assert (used, 50) == (left.used, left.limit)


def test_counters_are_told_once_a_day_where_the_book_has_use_for_them(days):
    engine = Engine(SHOP)
    quiet = engine.push(days[0])
    assert [] == [o for o in quiet if isinstance(o, Entry) and o.kind == "usage"]
    engine.push([task(ends_us(days[0]), every={"hours_turning": 100})])
    out = [o for one in days[1:] for o in engine.push(one)]
    lines_told = [o for o in out if isinstance(o, Entry) and o.kind == "usage"]
    assert DAYS - 1 == len(lines_told)
    assert {"mill-1"} == {o.machine for o in lines_told}


# the starter set


def test_starter_set_fits_the_book_and_every_task_has_interval_caution_and_source():
    machine = SHOP.machines[0]
    engine = Engine(SHOP)
    made = starter_set(machine)
    out = engine.push([filed(T0_US, "task", key, **content) for key, content in made.items()])
    assert len(made) == len(engine.servicebook.tasks.known) >= 20
    assert not any("refused" in text for text in told(out))
    for content in made.values():
        assert content["every"]
        assert content["do"]
        assert content["caution"]
        assert "common practice" in content["source"]


# the law


def diary(days: Sequence[Sequence[Record]]) -> list[Record]:
    """Days with what a shop files in between."""
    at = [begins_us(one) for one in days]
    return [
        filed(at[0], "component", "spindle-a", name="Spindle unit"),
        filed(at[0], "component", "spindle-b", name="Spindle unit"),
        filed(at[0], "installed", "spindle-a", place="spindle"),
        task(at[0], every={"hours_turning": 19}, lead={"hours_turning": 4}, place="spindle"),
        filed(at[0], "task", "door", "mill-2", title="Door", sort="inspection",
              every={"door_cycles": 12, "days": 2}, lead={"door_cycles": 5}),
        filed(at[0], "task", "tools", title="Clamping", sort="inspection",
              every={"tool_changes": 40}),
        *days[0],
        filed(at[1], "done", "oil"),
        *days[1][: len(days[1]) // 2],
        filed(at[1] + DAY_US // 2, "removed", "spindle-a", to="exchange"),
        filed(at[1] + DAY_US // 2, "installed", "spindle-b", place="spindle"),
        *days[1][len(days[1]) // 2 :],
        filed(at[2], "inspected", "door", "mill-2", found="good"),
        filed(at[2], "skipped", "tools", text="gauge is away", days=0.5),
        *days[2],
    ]  # fmt: skip


def test_book_and_outputs_are_the_same_however_the_days_are_cut_and_restored():
    records = diary([day(number, TWO) for number in range(3)])
    whole = Engine(TWO)
    outputs = whole.push(records)
    expected = lines(outputs)
    assert {("raised", "note"), ("ended", "note"), ("raised", "today")} <= {
        what[:2] for what in alerts(outputs)
    }
    rng = np.random.default_rng(3)
    engine, out, start = Engine(TWO), [], 0
    for stop in [*sorted(rng.integers(0, len(records), 60).tolist()), len(records)]:
        out += engine.push(records[start:stop])
        start = stop
        if rng.random() < 0.3:
            engine = Engine.restore(TWO, engine.snapshot())
    assert expected == lines(out)
    assert whole.servicebook.state() == engine.servicebook.state()
    assert whole.counts() == engine.counts()
