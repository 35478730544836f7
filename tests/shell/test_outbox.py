"""The outbox: at least once, in order; a route in trouble delays nobody else."""

import json
import threading
from random import Random

import pytest
from structlog.testing import capture_logs

from condmon.delivery.lane import GIVE_UP_S, LEASE_S, WAIT_ASKED_MAX_S, WAIT_MAX_S
from condmon.delivery.outbox import Outbox
from condmon.errors import StoreError
from condmon.store.journal import Reader
from condmon.store.journal_file import SentLog
from tests.fakes import FakeClock
from tests.letters import NOW_US, SITE, alert, message
from tests.phones import HOUR_S, Phone, Shop, again, never, phone, shop
from tests.waiting import until

__all__ = ["phone", "shop"]


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


# order, leases, restarts


def test_messages_of_one_alert_keep_their_order_on_a_route(shop, phone):
    phone.answers = [again()]
    reminder = message(kind="reminder", step=1, at_us=NOW_US + 30_000_000)
    shop.write(alert(), message(), reminder)
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


def refuse_marks(shop):
    shop.journal._db.execute(
        "CREATE TRIGGER refuses BEFORE UPDATE ON delivery WHEN new.state = 'sent'"
        " BEGIN SELECT RAISE(ABORT, 'disk I/O error'); END"
    )


def test_what_went_out_while_its_mark_was_refused_is_marked_later_and_not_told_again(shop, phone):
    shop.write(alert(), message())
    refuse_marks(shop)
    with pytest.raises(StoreError):
        shop.work()
    shop.journal._db.execute("DROP TRIGGER refuses")
    shop.work(LEASE_S)
    assert ["raised"] == phone.told
    [delivery] = shop.journal.deliveries()
    assert ("sent", "raised", 1) == (delivery.state, delivery.told, delivery.tries)


def test_what_was_noted_as_sent_when_a_run_was_killed_is_not_told_again(shop, phone):
    shop.write(alert(), message())
    refuse_marks(shop)
    with pytest.raises(StoreError):
        shop.work()
    shop.journal._db.execute("DROP TRIGGER refuses")
    shop.outbox.close()
    shop.outbox = shop.new_outbox()
    shop.work(LEASE_S)
    assert ["raised"] == phone.told
    assert [("raised", "sent")] == shop.states()


def test_clock_put_back_over_a_restart_does_not_delay_what_was_never_tried(shop, phone):
    shop.clock.pass_s(1800)
    shop.write(alert(), message(at_us=shop.clock.now_us()))
    shop.outbox.close()
    shop.clock = FakeClock(NOW_US)
    shop.outbox = shop.new_outbox()
    shop.work(10)
    assert ["raised"] == phone.told


def test_clock_put_back_over_a_restart_delays_no_longer_than_the_longest_pause(shop, phone):
    shop.clock.pass_s(30 * 86400)
    phone.answers = [again(wait_s=WAIT_ASKED_MAX_S)]
    shop.write(alert(), message(at_us=shop.clock.now_us()))
    shop.work()
    shop.outbox.close()
    shop.clock = FakeClock(NOW_US)
    shop.outbox = shop.new_outbox()
    assert shop.outbox.step() <= WAIT_MAX_S


def test_what_was_tried_while_the_clock_was_ahead_waits_a_pause_of_ours_and_not_an_hour(
    shop, phone
):
    phone.answers = [again(), again()]
    shop.write(alert(), message())
    shop.work(1)
    shop.clock.pass_s(10 * 365 * 86400)
    shop.work(1)
    shop.outbox.close()
    shop.clock = FakeClock(NOW_US + 1_000_000)
    shop.outbox = shop.new_outbox()
    assert shop.outbox.step() <= WAIT_MAX_S


def test_pause_that_a_receiver_asked_for_is_kept_over_a_restart(shop, phone):
    phone.answers = [again(wait_s=WAIT_ASKED_MAX_S)]
    shop.write(alert(), message())
    shop.work(1)
    shop.outbox.close()
    shop.outbox = shop.new_outbox()
    assert WAIT_ASKED_MAX_S - 5 <= shop.outbox.step() <= WAIT_ASKED_MAX_S


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


def test_stop_does_not_wait_for_a_receiver_that_hangs(tmp_path):
    slow = Phone("slow")
    slow.gate.clear()
    shop = Shop(tmp_path, slow)
    stop = threading.Event()
    thread = threading.Thread(target=shop.outbox.run, args=(stop,))
    thread.start()
    shop.write(alert(), message())
    until(lambda: slow.tries, 10, "it hangs in the sender")
    stop.set()
    thread.join(2)
    assert not thread.is_alive()
    slow.gate.set()
    until(lambda: shop.states() == [("raised", "sent")], 10, "the letter was still marked")
    shop.close()


def test_fault_in_condmon_itself_does_not_end_the_lane(tmp_path, monkeypatch):
    monkeypatch.setattr("condmon.delivery.lane.TROUBLE_S", 0.05)
    shop = Shop(tmp_path)
    shop.write(alert(), message())
    stop = threading.Event()
    thread = threading.Thread(target=shop.outbox.run, args=(stop,))
    shop.outbox.step()
    shop.write(alert(2), message(2))
    shop.clock.fail_next = 2
    with capture_logs() as logs:
        thread.start()
        until(lambda: len(shop.phones[0].letters) == 2, 10, "the next message is out")
    assert "RuntimeError at fakes.py" in logs[0]["reason"]
    stop.set()
    thread.join(5)
    shop.close()


def test_thread_outlives_trouble_with_the_store(tmp_path, monkeypatch):
    monkeypatch.setattr("condmon.delivery.lane.TROUBLE_S", 0.05)
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


def test_thread_starts_working_once_the_store_is_there(tmp_path, monkeypatch):
    monkeypatch.setattr("condmon.delivery.outbox.TROUBLE_S", 0.05)
    folder, one = tmp_path / "store", Phone()
    outbox = Outbox(folder / "journal.db", [one], FakeClock(NOW_US), SITE, Random(7))
    stop = threading.Event()
    thread = threading.Thread(target=outbox.run, args=(stop,))
    with capture_logs() as logs:
        thread.start()
        until(lambda: logs, 10, "the trouble is told")
    assert "cannot be opened" in logs[0]["reason"]
    made = Shop(folder, one)
    made.write(alert(), message())
    until(lambda: one.letters, 10, "the message is out")
    stop.set()
    thread.join(5)
    made.close()


def test_reader_sees_what_waits_and_why(shop, phone):
    phone.answers = [again("503 not now", wait_s=60)]
    shop.write(alert(), message())
    shop.outbox.step()
    with Reader(shop.folder) as reader:
        (waiting,) = reader.deliveries("waiting")
    assert ("503 not now", NOW_US + 60_000_000) == (waiting.reason, waiting.due_us)
