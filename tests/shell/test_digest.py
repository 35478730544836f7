"""The morning note and the weekly report: what they say, when they are made, once each."""

import pytest

from condmon.digest.compose import Happened, Undelivered, morning, text_of, weekly
from condmon.digest.due import WAIT_US, MorningNote, is_weekly, last_digest_us
from condmon.digest.source import DigestReader
from condmon.digest.spans import busiest, covered_us, hours_by_duty
from condmon.engine.ids import short_id
from condmon.engine.outputs import Message
from condmon.engine.records import SECOND_US
from condmon.engine.view import View
from condmon.errors import StoreError
from condmon.store.journal import Journal, Route
from tests.letters import NOW_US, SITE, alert, entry, message

HOUR_US = 3600 * SECOND_US
DIGEST_US = 1_795_586_400_000_000  # Wednesday 2026-11-25 06:00 UTC, 07:00 in the shop
NOTE = Route("owner", ("note",))


def lines(report, heading: str) -> list[str]:
    return [line.text for part in report.parts if part.heading == heading for line in part.lines]


def duty(at_us: int, name: str, machine: str = "mill-1"):
    return entry(at_us, id=f"{machine}-{at_us}", at_us=at_us, machine=machine, facts={"duty": name})


def test_hours_are_counted_from_duty_to_duty_and_not_while_nobody_watched():
    changes = [duty(-HOUR_US, "off"), duty(2 * HOUR_US, "turning"), duty(7 * HOUR_US, "off")]
    found = hours_by_duty(changes, 0, 8 * HOUR_US, [(3 * HOUR_US, 4 * HOUR_US)])
    assert {"mill-1": {"turning": 4 * 3600.0, "off": 3 * 3600.0}} == found


def test_what_lies_in_two_spans_is_covered_once():
    assert 7 == covered_us([(8, 20), (1, 5), (3, 4)], 0, 11)
    assert 0 == covered_us([(8, 20)], 0, 8)


def test_the_busiest_ten_minutes_hold_the_most_alerts():
    minutes = [0, 1, 9, 10, 11, 40]
    assert 3 == busiest([m * 60 * SECOND_US for m in minutes], 600)
    assert 0 == busiest([], 600)


def test_a_morning_note_tells_the_night_the_notes_and_the_open_work_in_this_order():
    over = {"ended_us": NOW_US + 600 * SECOND_US}
    found = Happened(
        DIGEST_US - 24 * HOUR_US,
        DIGEST_US,
        raised=(
            alert(1, title="oil missing"),
            alert(2, urgency="note", title="way oil low", state="returned_unacknowledged", **over),
        ),
        open=(alert(1, title="oil missing"),),
        unexplained=(alert(3, title="door slow", ended_us=DIGEST_US - 26 * HOUR_US),),
        unexplained_count=9,
        entries=(
            entry(kind="action", text="belt changed", facts={"do": "note", "by": "anna"}),
            entry(kind="action", text="anna signed in", machine="condmon",
                  facts={"do": "note", "by": "anna"}),
            entry(kind="gap", text="condmon was not running: nothing for 5 min", facts={}),
        ),
        duties=(duty(DIGEST_US - 30 * HOUR_US, "turning"),),
        undelivered=(Undelivered("owner", "Mill 1 NOW: oil", "550 unknown", failed=True),),
        silent_signals=("Mill 1: coolant, silent",),
    )  # fmt: skip
    report = morning(found, SITE)
    assert "Morning: 1 needs you, 1 alert, 1 note, 9 unexplained" == report.title
    assert [
        "Needs someone", "Since the last note", "Notes", "Written by people", "Unexplained",
        "Sensors", "Messages that did not get through",
    ] == [part.heading for part in report.parts]  # fmt: skip
    text = text_of(report, SITE.calendar)
    assert text.startswith("2026-11-24 07:00 to 2026-11-25 07:00")
    for words in (
        "- Mill 1 NOW: oil missing, since 03:13, seen by nobody",
        "- mill-1: turning 24 h",
        "- 03:14 condmon was not running",
        "- 03:14 Mill 1: way oil low, over after 11 min",
        "- 03:14 mill-1: belt changed (anna)",
        "- Mill 1: door slow, over for 26 h without a cause",
        "- and 8 more",
        "- owner: Mill 1 NOW: oil, failed: 550 unknown",
    ):
        assert words in text
    assert "signed in" not in text
    assert report.worth_sending


def test_a_quiet_night_without_open_work_is_not_worth_a_message():
    quiet = Happened(0, HOUR_US, duties=(duty(0, "off"),))
    assert not morning(quiet, SITE).worth_sending
    assert "Morning: nothing to tell" == morning(quiet, SITE).title


def test_more_than_a_person_reads_is_counted_and_not_listed():
    many = tuple(alert(n, title=f"alert {n}") for n in range(40))
    found = lines(morning(Happened(0, DIGEST_US, raised=many), SITE), "Since the last note")
    assert 26 == len(found)
    assert "and 15 older ones" == found[-1]
    assert "alert 39" in found[-2]


def test_a_week_tells_alerts_by_what_they_were_and_how_many_there_were_to_take_in():
    raised = tuple(alert(n, raised_us=n * SECOND_US, title="oil missing") for n in range(3))
    report = weekly(Happened(0, 7 * 24 * HOUR_US, raised=raised), SITE)
    assert "Week: 3 alerts" == report.title
    assert ["Mill 1: oil missing, 3 times"] == lines(report, "Alerts by what they were")
    (load,) = lines(report, "Load")
    assert load.startswith("0.4 alerts a day, at most 3 within 10 minutes")


def test_the_week_is_told_with_the_first_digest_of_the_week():
    monday_us = DIGEST_US - 48 * HOUR_US
    assert [True, False] == [is_weekly(SITE, at) for at in (monday_us, DIGEST_US)]


def test_the_note_of_a_monday_reaches_back_over_the_weekend():
    monday_us = DIGEST_US - 48 * HOUR_US
    assert monday_us - 72 * HOUR_US == last_digest_us(SITE, monday_us)
    assert DIGEST_US - 24 * HOUR_US == last_digest_us(SITE, DIGEST_US)
    assert DIGEST_US == last_digest_us(SITE, DIGEST_US + SECOND_US)


@pytest.fixture
def shop(tmp_path):
    """A journal and the notes that are made from it."""
    journal = Journal(tmp_path)
    note = MorningNote(SITE, tmp_path, lambda: View(0, linked=True, machines=()))
    yield journal, note
    journal.close()


def write(journal, *outputs) -> None:
    journal.write(outputs, 1, (NOTE,), DIGEST_US)


def test_a_morning_note_is_made_once_at_its_time(shop):
    journal, note = shop
    write(journal, alert(1))
    assert [] == note.due(DIGEST_US - HOUR_US)
    assert [] == note.due(DIGEST_US + WAIT_US - 1)
    (made,) = note.due(DIGEST_US + WAIT_US)
    assert ("digest", "note", DIGEST_US) == (made.kind, made.urgency, made.at_us)
    assert made.title.startswith("Morning: 1 needs you")
    assert [] == note.due(DIGEST_US + WAIT_US + 1)
    assert [made] == note.enlarged([made])
    write(journal, made)
    assert ["owner"] == [d.route for d in journal.deliveries("waiting")]


def test_after_a_restart_a_morning_note_is_made_up_for_and_not_told_twice(shop, tmp_path):
    journal, note = shop
    write(journal, alert(1))
    (made,) = note.due(DIGEST_US + 2 * HOUR_US)  # it came up two hours late
    write(journal, made)
    again = MorningNote(SITE, tmp_path, lambda: View(0, linked=True, machines=()))
    assert [] == again.due(DIGEST_US + 3 * HOUR_US)


def test_a_note_missed_for_half_a_day_is_left_to_the_next_one(shop, tmp_path):
    journal, note = shop
    write(journal, alert(1))
    assert [] == note.due(DIGEST_US - HOUR_US)
    assert [] == note.due(DIGEST_US + 13 * HOUR_US)  # the clock was put on
    again = MorningNote(SITE, tmp_path, lambda: View(0, linked=True, machines=()))
    assert [] == again.due(DIGEST_US + 13 * HOUR_US)
    (made,) = again.due(DIGEST_US + 25 * HOUR_US)
    assert DIGEST_US + 24 * HOUR_US == made.at_us


def test_a_quiet_morning_sends_nothing_and_a_monday_sends_the_week(shop):
    _, note = shop
    monday_us = DIGEST_US - 48 * HOUR_US
    assert [] == note.due(monday_us - HOUR_US)
    (week,) = note.due(monday_us + WAIT_US)
    assert "Week: nothing to tell" == week.title
    assert [] == note.due(monday_us + 24 * HOUR_US + WAIT_US)


def test_the_engine_s_own_digest_is_enlarged_and_stays_one_message(shop):
    journal, note = shop
    write(journal, alert(1, urgency="note", title="way oil low"))
    own = message(kind="digest", urgency="note", at_us=DIGEST_US, title="Mill 1: 1 note",
                  id=short_id("x"), text="Mill 1: way oil low.")  # fmt: skip
    (made,) = note.enlarged([own])
    assert isinstance(made, Message)
    assert (own.id, own.alerts, own.at_us) == (made.id, made.alerts, made.at_us)
    assert "Morning: 1 note" == made.title
    assert "way oil low" in made.text
    write(journal, made)
    note.due(DIGEST_US - HOUR_US)
    assert [] == note.due(DIGEST_US + WAIT_US)


def test_other_messages_and_a_flood_told_together_pass_as_they_are(shop):
    _, note = shop
    flood = message(kind="digest", urgency="now", at_us=DIGEST_US + 7 * SECOND_US)
    rows = [message(), flood, entry(), alert()]
    assert rows == note.enlarged(rows)


def test_without_a_journal_the_engine_s_own_words_are_told(tmp_path):
    note = MorningNote(SITE, tmp_path, lambda: View(0, linked=True, machines=()))
    own = message(kind="digest", urgency="note", at_us=DIGEST_US)
    assert [own] == note.enlarged([own])
    assert [] == note.due(DIGEST_US)
    assert [] == note.due(DIGEST_US + WAIT_US)
    with pytest.raises(StoreError):
        DigestReader(tmp_path)


def test_the_journal_gives_what_happened_in_a_span_and_what_was_not_delivered(shop, tmp_path):
    journal, _ = shop
    late = message(urgency="note", id="waits", title="waits")
    journal.write([alert(1), alert(2, raised_us=DIGEST_US + HOUR_US), late], 1, (NOTE,), NOW_US)
    write(journal, duty(NOW_US - 90 * HOUR_US, "off"), duty(NOW_US - 50 * HOUR_US, "turning"),
          duty(NOW_US, "off"), entry(7, kind="gap", facts={"from_us": 5, "to_us": 9}),
          entry(8, kind="topic"))  # fmt: skip
    with DigestReader(tmp_path) as reader:
        found = reader.happened(DIGEST_US - 24 * HOUR_US, DIGEST_US)
    assert ["alert-1"] == [a.id for a in found.raised]
    assert ["turning", "off"] == [e.facts["duty"] for e in found.duties]
    assert ["gap"] == [e.kind for e in found.entries]
    assert ((5, 9),) == found.blind
    assert [("owner", "waits", False)] == [(u.way, u.title, u.failed) for u in found.undelivered]
