"""What was true when a message was written may not be true when it goes out: nothing stale."""

import pytest

from condmon.delivery.lane import GIVE_UP_S
from tests.letters import MINUTE_US, NOW_US, alert, ended, message
from tests.phones import HOUR_S, again, never, phone, shop

__all__ = ["phone", "shop"]


def test_alert_that_ended_before_it_could_be_sent_is_told_once_as_ended(shop, phone):
    phone.answers = [again() for _ in range(5)]
    shop.write(alert(), message())
    shop.work(10)
    shop.clock.pass_s(600)
    shop.write(ended(after_min=10), message(kind="ended"))
    shop.work(2 * HOUR_S)
    (got,) = phone.letters
    assert "story" == got.telling
    assert got.title.startswith("Mill 1 over, told late: oil missing")
    assert "NOW, over: Mill 1" in got.text
    assert "Began 2026-11-25 03:13:05, ended 2026-11-25 03:24:05, after 11 min" in got.text
    assert "could not be sent for" in got.text
    assert "ago" not in got.text
    assert [("raised", "sent"), ("ended", "cancelled")] == shop.states()


def test_alert_that_came_and_went_within_seconds_is_one_message(shop, phone):
    shop.write(alert(), message(), ended(after_min=0), message(kind="ended"))
    shop.work(HOUR_S)
    assert ["story"] == phone.told
    assert phone.letters[0].title.startswith("Mill 1 came and went: oil missing")
    assert "could not be sent" not in phone.letters[0].text


def test_beginning_and_end_are_two_messages_when_both_could_be_told(shop, phone):
    shop.write(alert(), message())
    shop.work()
    shop.clock.pass_s(600)
    shop.write(ended(), message(kind="ended", at_us=shop.clock.now_us()))
    shop.work()
    assert ["raised", "ended"] == phone.told
    assert "Mill 1 over: oil missing, spindle turning" == phone.letters[1].title


def test_end_of_an_alert_whose_beginning_failed_is_the_whole_story(shop, phone):
    phone.answers = [never()]
    shop.write(alert(), message())
    shop.work()
    shop.write(ended(), message(kind="ended"))
    shop.work()
    assert ["story"] == phone.told


def test_end_is_not_told_when_the_alert_has_come_back(shop, phone):
    shop.write(alert(), message())
    shop.work()
    shop.write(message(kind="ended"), alert(revision=3, count=2))
    shop.work()
    assert ["raised"] == phone.told


@pytest.mark.parametrize(
    "now",
    [
        ended(),
        alert(revision=2, state="active_acknowledged", acknowledged_by="Ola"),
        alert(revision=2, state="shelved"),
        alert(revision=2, state="out_of_service"),
        alert(revision=2, state="suppressed"),
    ],
    ids=lambda a: a.state,
)
def test_reminder_is_not_sent_when_someone_saw_to_it_or_it_ended(shop, phone, now):
    shop.write(alert(), message(), message(kind="reminder", step=1), now)
    shop.work(HOUR_S)
    assert "reminder" not in phone.told
    assert ("reminder", "cancelled") in shop.states()
    assert all(d.reason for d in shop.journal.deliveries("cancelled"))


def test_reminder_of_a_standing_alert_is_sent_after_its_beginning(shop, phone):
    shop.write(alert(), message(), message(kind="reminder", step=1))
    shop.work()
    assert ["raised", "reminder"] == phone.told
    assert phone.letters[1].title.startswith("Mill 1 NOW again (1): oil missing")


def test_late_message_of_a_standing_alert_says_who_has_seen_it_and_how_late_it_is(shop, phone):
    phone.answers = [again() for _ in range(12)]
    shop.write(alert(), message())
    shop.work(60)
    seen = {"acknowledged_by": "Ola", "acknowledged_us": NOW_US + MINUTE_US}
    shop.write(alert(revision=2, state="active_acknowledged", **seen))
    shop.work(3 * HOUR_S)
    (got,) = phone.letters
    assert "Seen by: Ola, 2026-11-25 03:15:05" in got.text
    assert "could not be sent for" in got.text
    assert "Since 2026-11-25 03:13:05" in got.text


@pytest.mark.parametrize("state", ["shelved", "out_of_service"])
def test_beginning_is_not_sent_of_what_a_person_silenced_meanwhile(shop, phone, state):
    shop.write(alert(), message(), alert(revision=2, state=state))
    shop.work()
    assert [] == phone.told
    assert [("raised", "cancelled")] == shop.states()


def test_alert_over_for_days_is_not_told_any_more(shop, phone):
    """As when a lost journal is filled again from weeks of recordings."""
    shop.clock.pass_s(GIVE_UP_S + HOUR_S)
    shop.write(alert(), message(), ended(), message(kind="ended"))
    shop.work(HOUR_S)
    assert [] == phone.told
    assert "older than 3 days" in shop.journal.deliveries("cancelled")[0].reason


def test_backlog_is_told_as_it_stands_after_the_backlog(shop, phone):
    """After a night without the broker: the beginning waits a little, the end catches up."""
    shop.clock.pass_s(HOUR_S)
    shop.write(alert(), message())
    assert shop.outbox.step() > 5
    shop.write(ended(), message(kind="ended"))
    shop.work(60)
    assert ["story"] == phone.told


def test_digest_goes_out_with_its_own_words(shop, phone):
    note = alert(2, urgency="note")
    words = {"alerts": ("alert-2",), "urgency": "note", "machine": "", "id": "digest-1"}
    shop.write(note, message(kind="digest", title="1 note", text="Mill 1: way oil low", **words))
    shop.work()
    (got,) = phone.letters
    assert "1 note" == got.title
    assert got.text.startswith("Mill 1: way oil low\n")


def outage(shop, phone, alerts=8):
    """Eight alerts over ten minutes that all found the way closed; two of them have ended."""
    phone.answers = [again() for _ in range(500)]
    for number in range(1, alerts + 1):
        at_us = NOW_US + number * MINUTE_US
        urgency = "now" if number == 3 else "today"
        shop.write(alert(number, urgency=urgency, began_us=at_us),
                   message(number, urgency=urgency, at_us=at_us))  # fmt: skip
        shop.clock.pass_s(60)
        shop.work()
    for number in (2, 3):
        shop.write(ended(number, urgency="today"), message(number, kind="ended"))
    shop.work(HOUR_S)


def test_after_an_outage_one_message_tells_of_eight_alerts_what_lasts_first(shop, phone):
    outage(shop, phone)
    phone.answers = []
    shop.work(600)
    (got,) = phone.letters
    assert "digest" == got.telling
    assert "Mill 1 TODAY: oil missing, spindle turning, and 7 more" == got.title
    assert "8 alerts as they stand now. These messages could not be sent for" in got.text
    assert ["alert-2", "alert-3"] == sorted(a.id for a in got.alerts[-2:])
    assert got.text.count("Began ") == 2
    assert got.text.count("Since ") == 6
    assert [] == shop.journal.deliveries("waiting")
    told = sorted(d.told for d in shop.journal.deliveries("sent"))
    assert ["raised"] * 6 + ["story"] * 2 == told
    assert {"cancelled"} == {
        d.state for d in shop.journal.deliveries() if d.message.kind == "ended"
    }


def test_the_one_message_has_the_same_key_at_every_try_while_its_content_is_the_same(shop, phone):
    outage(shop, phone)
    before = len(phone.keys)
    shop.work(1800)
    keys = phone.keys[before:]
    assert len(keys) > 3
    assert 1 == len(set(keys))
    shop.write(ended(5, urgency="today", after_min=60), message(5, kind="ended"))
    shop.work(1800)
    assert 2 == len(set(phone.keys[before:]))


def test_fresh_alert_is_told_by_itself_before_what_is_late(shop, phone):
    outage(shop, phone)
    phone.answers = []
    now_us = shop.clock.now_us()
    shop.write(alert(20, began_us=now_us), message(20, at_us=now_us))
    shop.work(600)
    assert [1, 8] == [len(letter.alerts) for letter in phone.letters]
    assert "alert-20" == phone.letters[0].alerts[0].id


def test_end_of_an_alert_told_among_others_is_told_as_its_end(shop, phone):
    outage(shop, phone)
    phone.answers = []
    shop.work(600)
    at_us = shop.clock.now_us()
    shop.write(ended(1, urgency="today", after_min=90), message(1, kind="ended", at_us=at_us))
    shop.write(message(2, kind="reminder", step=9, at_us=at_us))
    shop.work(600)
    assert ["digest", "ended"] == phone.told
