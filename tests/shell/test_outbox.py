"""The outbox: at least once, in order, never stale; a route in trouble delays nobody else."""

import json
import threading
from random import Random

import pytest
from structlog.testing import capture_logs

from condmon.engine.outputs import Output
from condmon.errors import SendError
from condmon.journal import Journal, Reader, Route
from condmon.journal_file import SentLog
from condmon.lane import GIVE_UP_S, LEASE_S, WAIT_ASKED_MAX_S, WAIT_MAX_S
from condmon.outbox import Outbox
from tests.fakes import FakeClock
from tests.letters import MINUTE_US, NOW_US, SITE, alert, ended, message
from tests.waiting import until

ALL = ("now", "today", "note")
HOUR_S = 3600.0


class Phone:
    """A way to reach people that answers as the test scripts and remembers what it took."""

    def __init__(self, name="phone", urgencies=ALL) -> None:
        self.name, self.urgencies = name, urgencies
        self.answers = []
        self.letters = []
        self.tries = 0
        self.gate = threading.Event()
        self.gate.set()

    def send(self, letter):
        self.tries += 1
        assert self.gate.wait(20)
        answer = self.answers.pop(0) if self.answers else None
        if isinstance(answer, Exception):
            raise answer
        self.letters.append(letter)
        return answer

    @property
    def told(self):
        return [letter.telling for letter in self.letters]


class Shop:
    """A journal, an outbox and a clock that stands until told otherwise."""

    def __init__(self, folder, *phones: Phone) -> None:
        self.folder = folder
        self.phones = phones or (Phone(),)
        self.clock = FakeClock(NOW_US)
        self.journal = Journal(folder)
        self.outbox = self.new_outbox()
        self._offset = 0

    def new_outbox(self):
        return Outbox(self.journal.path, self.phones, self.clock, SITE, Random(7))

    def write(self, *outputs: Output):
        self._offset += 1
        routes = [Route(phone.name, phone.urgencies) for phone in self.phones]
        self.journal.write(outputs, self._offset, routes, self.clock.now_us())

    def work(self, for_s=0.0):
        """Do all that is due, then let time pass from one due delivery to the next."""
        end_us = self.clock.now_us() + round(for_s * 1e6)
        while True:
            wait_s = self.outbox.step()
            if wait_s is None or self.clock.now_us() + wait_s * 1e6 > end_us:
                return wait_s
            self.clock.pass_s(wait_s)

    def states(self):
        return [(d.message.kind, d.state) for d in self.journal.deliveries()]

    def close(self):
        self.outbox.close()
        self.journal.close()


@pytest.fixture
def phone():
    return Phone()


@pytest.fixture
def shop(tmp_path, phone):
    made = Shop(tmp_path, phone)
    yield made
    made.close()


def again(words="503", wait_s=None):
    return SendError(words, again=True, wait_s=wait_s)


def never(words="410"):
    return SendError(words, again=False)


def test_message_goes_out_once_with_its_key_and_words(shop, phone):
    shop.write(alert(), message())
    assert shop.work() is None
    (got,) = phone.letters
    assert "alert-1:raised:0:phone" == got.key
    assert "Mill 1 NOW: oil missing, spindle turning" == got.title
    assert [alert()] == list(got.alerts)
    assert [("raised", "sent")] == shop.states()
    assert {"alert-1:raised:0:phone"} == SentLog(shop.folder).kept()


def test_nothing_to_do_is_told_as_none(shop):
    assert shop.outbox.step() is None


def test_every_route_gets_it(tmp_path):
    one, two = Phone("one"), Phone("two")
    shop = Shop(tmp_path, one, two)
    shop.write(alert(), message())
    shop.work()
    assert ["raised"] == one.told == two.told
    shop.close()


def test_failure_for_now_is_tried_again_with_the_same_key(shop, phone):
    phone.answers = [again(), again()]
    shop.write(alert(), message())
    shop.work(60)
    assert 3 == phone.tries
    assert ["raised"] == phone.told
    assert [3] == [d.tries for d in shop.journal.deliveries()]


def test_pauses_grow_from_2_s_to_5_min_and_are_spread(shop, phone):
    phone.answers = [again() for _ in range(14)]
    shop.write(alert(), message())
    waits = [shop.outbox.step()]
    for _ in range(12):
        shop.clock.pass_s(waits[-1])
        waits.append(shop.outbox.step())
    assert 2.0 <= waits[0] <= 2.5
    assert all(2.0 <= wait <= WAIT_MAX_S for wait in waits)
    assert all(3 * 2**n / 2 <= waits[n] <= 5 * 2**n / 2 for n in range(1, 7))
    assert waits[-1] >= 0.75 * WAIT_MAX_S
    assert len(set(waits)) > 8


def test_receivers_own_pause_is_kept(shop, phone):
    phone.answers = [again(wait_s=120)]
    shop.write(alert(), message())
    assert 120.0 == shop.outbox.step()


def test_receiver_cannot_silence_us_by_an_endless_pause(shop, phone):
    phone.answers = [again(wait_s=1e9)]
    shop.write(alert(), message())
    assert WAIT_ASKED_MAX_S == shop.outbox.step()


def test_failure_for_good_is_kept_with_its_reason_and_told_once(shop, phone):
    phone.answers = [never("401: check the secret"), never("401: check the secret")]
    shop.write(alert(1), message(1), alert(2), message(2))
    with capture_logs() as logs:
        shop.work(HOUR_S)
    assert 2 == phone.tries
    assert ["401: check the secret"] * 2 == [d.reason for d in shop.journal.deliveries("failed")]
    assert ["delivery_failed"] == [line["event"] for line in logs]


def test_trouble_is_told_once_and_its_end(shop, phone):
    phone.answers = [again(), again(), again()]
    shop.write(alert(), message())
    with capture_logs() as logs:
        shop.work(HOUR_S)
    assert ["route_in_trouble", "route_works_again"] == [line["event"] for line in logs]


def test_after_three_days_it_is_given_up_and_told(shop, phone):
    phone.answers = [again("503 not now") for _ in range(5000)]
    shop.write(alert(), message())
    with capture_logs() as logs:
        assert shop.work(GIVE_UP_S + HOUR_S) is None
    (failed,) = shop.journal.deliveries("failed")
    assert "given up after 3 days; last: 503 not now" == failed.reason
    assert failed.done_us - failed.born_us > GIVE_UP_S * 1e6
    assert "delivery_failed" == logs[-1]["event"]


def test_jump_of_the_clock_alone_gives_nothing_up(shop, phone):
    phone.answers = [again()]
    shop.write(alert(), message())
    shop.clock.pass_s(30 * 86400)
    shop.work(60)
    assert ["raised"] == phone.told


def test_note_of_a_partly_taken_message_is_kept(shop, phone):
    phone.answers = ["not taken for ola"]
    shop.write(alert(), message())
    shop.work()
    assert ["not taken for ola"] == [d.reason for d in shop.journal.deliveries("sent")]


def test_fault_in_a_sender_is_tried_again_and_shows_no_text_of_it(shop, phone):
    phone.answers = [ValueError("password Driftwood-7")]
    shop.write(alert(), message())
    with capture_logs() as logs:
        shop.work(10)
    assert ["raised"] == phone.told
    assert "ValueError" in logs[0]["reason"]
    assert "Driftwood-7" not in json.dumps(logs)


# what was true when it was written may not be true when it goes out


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


# order, leases, restarts


def test_messages_of_one_alert_keep_their_order_on_a_route(shop, phone):
    phone.answers = [again()]
    shop.write(alert(), message(), message(kind="reminder", step=1))
    shop.outbox.step()
    assert [] == phone.told  # the reminder waits behind the beginning
    shop.work(60)
    assert ["raised", "reminder"] == phone.told


def test_another_alert_overtakes_one_that_waits(shop, phone):
    phone.answers = [again(wait_s=600)]
    shop.write(alert(1), message(1), alert(2), message(2))
    shop.work()
    assert ["alert-2"] == [letter.alerts[0].id for letter in phone.letters]


def test_urgent_messages_go_first(shop, phone):
    shop.write(alert(1, urgency="note"), message(1, urgency="note"), alert(2), message(2))
    shop.work()
    assert ["alert-2", "alert-1"] == [letter.alerts[0].id for letter in phone.letters]


def test_lease_that_ran_out_is_due_again(shop, phone):
    shop.write(alert(), message())
    shop.outbox.step()
    shop.journal._db.execute(
        "UPDATE delivery SET state = 'leased', due_us = ?",
        (NOW_US + round(LEASE_S * 1e6),),
    )
    assert LEASE_S == shop.outbox.step()
    shop.clock.pass_s(LEASE_S)
    shop.outbox.step()
    assert ["raised", "raised"] == phone.told
    assert phone.letters[0].key == phone.letters[1].key


def test_delivery_left_leased_by_a_killed_run_is_due_at_once(shop, phone):
    shop.write(alert(), message())
    shop.journal._db.execute("UPDATE delivery SET state = 'leased', due_us = due_us + 99000000")
    shop.outbox.close()
    shop.outbox = shop.new_outbox()
    shop.work()
    assert ["raised"] == phone.told


def test_clock_put_back_over_a_restart_delays_no_longer_than_the_longest_pause(shop, phone):
    shop.clock.pass_s(30 * 86400)
    shop.write(alert(), message(at_us=shop.clock.now_us()))
    shop.outbox.close()
    shop.clock = FakeClock(NOW_US)
    shop.outbox = shop.new_outbox()
    assert shop.outbox.step() <= WAIT_ASKED_MAX_S


def test_route_that_left_the_configuration_fails_in_words(shop, tmp_path):
    shop.write(alert(), message())
    shop.outbox.close()
    shop.phones = (Phone("other"),)
    shop.outbox = shop.new_outbox()
    with capture_logs() as logs:
        shop.work()
    assert [("raised", "failed")] == shop.states()
    assert ["deliveries_without_route"] == [line["event"] for line in logs]


def test_message_without_its_alert_is_sent_with_its_own_words(shop, phone):
    shop.write(message())
    shop.work()
    assert "Mill 1 NOW: oil missing" == phone.letters[0].title


# the thread


def test_route_that_hangs_delays_no_other(tmp_path):
    slow, quick = Phone("slow"), Phone("quick")
    slow.gate.clear()
    shop = Shop(tmp_path, slow, quick)
    stop = threading.Event()
    thread = threading.Thread(target=shop.outbox.run, args=(stop,))
    thread.start()
    shop.write(alert(1), message(1), alert(2), message(2))
    until(lambda: len(quick.letters) == 2, 10, "the quick route is done")
    assert [] == slow.letters
    slow.gate.set()
    until(lambda: len(slow.letters) == 2, 10, "the slow route is done")
    stop.set()
    thread.join(5)
    assert not thread.is_alive()
    shop.close()


def test_thread_outlives_trouble_with_the_store(tmp_path, monkeypatch):
    monkeypatch.setattr("condmon.lane.TROUBLE_S", 0.05)
    shop = Shop(tmp_path)
    shop.write(alert(), message())
    shop.journal._db.execute("ALTER TABLE message RENAME TO hidden")
    stop = threading.Event()
    thread = threading.Thread(target=shop.outbox.run, args=(stop,))
    with capture_logs() as logs:
        thread.start()
        until(lambda: logs, 10, "the trouble is told")
    assert "outbox_store_trouble" == logs[0]["event"]
    assert [] == shop.phones[0].letters
    shop.journal._db.execute("ALTER TABLE hidden RENAME TO message")
    until(lambda: shop.phones[0].letters, 10, "the message is out")
    stop.set()
    thread.join(5)
    assert not thread.is_alive()
    shop.close()


def test_reader_sees_what_waits_and_why(shop, phone):
    phone.answers = [again("503 not now", wait_s=60)]
    shop.write(alert(), message())
    shop.outbox.step()
    with Reader(shop.folder) as reader:
        (waiting,) = reader.deliveries("waiting")
    assert ("503 not now", NOW_US + 60_000_000) == (waiting.reason, waiting.due_us)
