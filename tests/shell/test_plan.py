"""The plan: who is told by which way, when, and what happens when a way fails."""

import threading
from dataclasses import replace
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from condmon.clock import SiteCalendar
from condmon.config import load
from condmon.delivery.plan import routing_of
from condmon.engine.settings import Plan
from condmon.errors import SendError
from tests.daemons import HEAD, MILL
from tests.fakes import FakeClock
from tests.letters import MINUTE_US, NOW_US, alert, ended, message
from tests.phones import HOUR_S, Phone, Shop, again, never
from tests.waiting import until

ALONE = 'Oslo"\nunattended = ["Mon-Sun 20:00-06:00"]'
WAYS = """
[[send.webhook]]
name = "ola"
url = "http://127.0.0.1:1/ola"
[[send.webhook]]
name = "kari"
url = "http://127.0.0.1:1/kari"
[[send.webhook]]
name = "gate"
url = "http://127.0.0.1:1/gate"
urgencies = ["now", "today"]
"""
AT_0714 = NOW_US + 4 * 3_600_000_000  # Wednesday 07:14:05 in Oslo; NOW_US is 03:14:05
DAY_US = 86_400_000_000


def config(folder: Path, plan: str):
    path = folder / "condmon.toml"
    path.write_text(
        HEAD.format(url="mqtt://127.0.0.1:1").replace('Oslo"', ALONE) + MILL + WAYS + plan
    )
    return load(path)


def routing(folder: Path, plan: str):
    return routing_of(config(folder, plan))


def shop(folder: Path, plan: str) -> tuple[Shop, dict[str, Phone]]:
    """A shop with three ways, all of which work unless the test says so, and its plan."""
    phones = {name: Phone(name) for name in ("ola", "kari", "gate")}
    made = Shop(folder, *phones.values(), routing=routing(folder, plan))
    return made, phones


def live(made: Shop, for_s: float, step_s: float = 5.0) -> None:
    """Let time pass in small steps, as the outbox's own thread lives through it."""
    for _ in range(round(for_s / step_s)):
        made.clock.pass_s(step_s)
        while made.outbox.step() == 0.0:
            pass


def told(phones: dict[str, Phone]) -> dict[str, list[str]]:
    return {name: phone.told for name, phone in phones.items() if phone.told}


# who


def test_without_a_plan_every_way_that_takes_the_urgency_is_told(tmp_path):
    made, phones = shop(tmp_path, "")
    made.write(alert(), message())
    made.work()
    assert {"ola": ["raised"], "kari": ["raised"], "gate": ["raised"]} == told(phones)
    made.close()


def test_ways_of_the_plan_are_told_and_no_others(tmp_path):
    made, phones = shop(tmp_path, '[plan.now]\nways = ["ola"]\n')
    made.write(alert(), message())
    made.work()
    assert {"ola": ["raised"]} == told(phones)
    made.close()


@pytest.mark.parametrize(("at_us", "way"), [(NOW_US, "kari"), (AT_0714, "ola")])
def test_in_unattended_hours_other_ways_are_told(tmp_path, at_us, way):
    plan = '[plan.now]\nways = ["ola"]\nunattended_ways = ["kari"]\n'
    made, phones = shop(tmp_path, plan)
    made.clock = FakeClock(at_us)
    made.outbox = made.new_outbox()
    made.write(alert(), message(at_us=at_us))
    made.work()
    assert {way: ["raised"]} == told(phones)
    made.close()


def test_end_goes_to_those_who_were_told_even_when_the_hours_have_changed(tmp_path):
    plan = '[plan.now]\nways = ["ola"]\nunattended_ways = ["kari"]\ntell_end = true\n'
    made, phones = shop(tmp_path, plan)
    made.write(alert(), message())
    made.work()
    made.clock.pass_s(4 * HOUR_S)
    made.write(ended(after_min=240), message(kind="ended", at_us=AT_0714))
    made.work()
    assert {"kari": ["raised", "ended"]} == told(phones)
    made.close()


# when


QUIET = '[plan]\nquiet = ["Mon-Sun 21:00-06:00"]\n'
AT_0600_US = NOW_US + (2 * 3600 + 45 * 60 + 55) * 1_000_000


def test_quiet_hours_hold_today_and_let_now_pass(tmp_path):
    made, phones = shop(tmp_path, QUIET)
    today = {"urgency": "today"}
    made.write(alert(1), message(1), alert(2, **today), message(2, **today))
    assert AT_0600_US - NOW_US == made.work() * 1e6
    assert ["alert-1"] == [letter.alerts[0].id for letter in phones["ola"].letters]
    made.work(3 * HOUR_S)
    assert ["alert-1", "alert-2"] == [letter.alerts[0].id for letter in phones["ola"].letters]
    late = phones["ola"].letters[1]
    assert AT_0600_US == late.sent_us
    assert "It waited for the end of the quiet hours." in late.text
    assert "could not be sent" not in late.text
    made.close()


def test_what_ended_in_quiet_hours_is_told_once_as_ended_and_the_reminder_not_at_all(tmp_path):
    made, phones = shop(tmp_path, QUIET + "[plan.today]\ntell_end = true\n")
    today = {"urgency": "today"}
    made.write(alert(**today), message(**today))
    made.write(message(kind="reminder", step=1, at_us=NOW_US + 15 * MINUTE_US, **today))
    made.write(ended(**today), message(kind="ended", at_us=NOW_US + 10 * MINUTE_US, **today))
    made.work(4 * HOUR_S)
    assert ["story"] == phones["ola"].told
    assert phones["ola"].letters[0].title.startswith("Mill 1 came and went: oil missing")
    made.close()


def test_alerts_held_together_come_as_one_message_the_gravest_first(tmp_path):
    made, phones = shop(tmp_path, QUIET)
    for number in range(1, 5):
        made.write(alert(number, urgency="today"), message(number, urgency="today"))
    made.write(ended(2, urgency="today"))
    made.work(4 * HOUR_S)
    (letter,) = phones["kari"].letters
    assert "Mill 1 TODAY: oil missing, spindle turning, and 3 more" == letter.title
    assert letter.text.startswith(
        "4 alerts as they stand now. They waited for the end of the quiet"
    )
    assert ["alert-1", "alert-3", "alert-4", "alert-2"] == [one.id for one in letter.alerts]
    states = [d.told for d in made.journal.deliveries("sent") if d.route == "kari"]
    assert ["raised", "story", "raised", "raised"] == states
    made.close()


@pytest.mark.parametrize(
    ("night_us", "hours"),
    [
        (1_792_879_200_000_000, 8),  # Saturday 2026-10-24 22:00 UTC, the autumn night: 00:00 local
        (1_774_738_800_000_000, 6),  # Saturday 2026-03-28 23:00 UTC, the spring night: 00:00 local
    ],
)
def test_quiet_hours_end_by_the_wall_clock_in_both_nights_of_the_change(tmp_path, night_us, hours):
    plan = routing(tmp_path, '[plan]\nquiet = ["Mon-Sun 21:00-07:00"]\n')
    held = plan.held_until_us(message(urgency="today", at_us=night_us))
    assert night_us + hours * 3_600_000_000 == held
    assert plan.calendar.text(held).endswith(" 07:00:00")


def test_quiet_hours_that_follow_one_another_are_waited_for_to_the_last(tmp_path):
    plan = routing(tmp_path, '[plan]\nquiet = ["Wed 00:00-24:00", "Thu 00:00-05:30"]\n')
    held = plan.held_until_us(message(urgency="note"))
    assert "2026-11-26 05:30:00" == plan.calendar.text(held)


# again, and to others


HAND_OVER = """[plan.now]
ways = ["ola"]
remind_after = ["15 min"]
hand_over_after = "30 min"
hand_over_to = ["kari"]
"""


def reminder(step, after_min):
    return message(kind="reminder", step=step, at_us=NOW_US + after_min * MINUTE_US)


def test_engine_is_told_of_reminders_and_hand_over_in_their_order(tmp_path):
    plans = config(tmp_path, HAND_OVER + "tell_end = true\n").settings.plans
    assert Plan((900.0, 1800.0), tell_end=True) == plans["now"]


def test_unseen_alert_is_handed_over_to_others_who_then_hear_its_end_too(tmp_path):
    made, phones = shop(tmp_path, HAND_OVER)
    made.write(alert(), message())
    made.work()
    for step, after_min in ((1, 15), (2, 30)):
        made.clock.pass_s(900)
        made.write(reminder(step, after_min))
        made.work()
    assert {"ola": ["raised", "reminder"], "kari": ["handed_over"]} == told(phones)
    letter = phones["kari"].letters[0]
    assert letter.title.startswith("Mill 1 NOW, unseen: oil missing")
    assert "Others were told before you; nobody has acknowledged it." in letter.text
    made.write(ended(after_min=40), message(kind="ended", at_us=NOW_US + 40 * MINUTE_US))
    made.work()
    assert ["handed_over", "ended"] == phones["kari"].told
    made.close()


def test_way_kept_for_later_is_not_told_at_once(tmp_path):
    plan = '[plan.now]\nhand_over_after = "30 min"\nhand_over_to = ["kari"]\nnext_ways = ["gate"]\n'
    made, phones = shop(tmp_path, plan)
    made.write(alert(), message())
    made.work()
    made.clock.pass_s(1800)
    made.write(reminder(1, 30))
    made.work()
    assert {"ola": ["raised"], "kari": ["handed_over"]} == told(phones)
    made.close()


def test_acknowledged_alert_is_not_handed_over(tmp_path):
    made, phones = shop(tmp_path, HAND_OVER)
    made.write(alert(), message())
    made.work()
    made.write(alert(revision=2, state="active_acknowledged"), reminder(2, 30))
    made.work(HOUR_S)
    assert {"ola": ["raised"]} == told(phones)
    made.close()


# when a way fails


NEXT = '[plan.now]\nways = ["ola"]\nnext_ways = ["kari", "gate"]\nnext_after = "2 min"\n'


def test_way_that_refuses_for_good_is_followed_by_the_next_at_once(tmp_path):
    made, phones = shop(tmp_path, NEXT)
    phones["ola"].answers = [never()]
    made.write(alert(), message())
    made.work()
    made.clock.pass_s(2)
    made.work()
    assert {"kari": ["raised"]} == told(phones)
    assert ["ola"] == [d.route for d in made.journal.deliveries("failed")]
    made.close()


def test_way_that_does_not_get_through_in_time_is_followed_by_the_next_and_the_next(tmp_path):
    made, phones = shop(tmp_path, NEXT)
    phones["ola"].answers = [again() for _ in range(99)]
    phones["kari"].answers = [again() for _ in range(99)]
    made.write(alert(), message())
    live(made, 115)
    assert 0 == phones["kari"].tries
    live(made, 15)
    assert 1 <= phones["kari"].tries
    live(made, 100)
    assert {} == told(phones)
    live(made, 30)
    assert {"gate": ["raised"]} == told(phones)
    made.close()


def test_next_way_is_left_alone_while_one_gets_through(tmp_path):
    made, phones = shop(tmp_path, NEXT)
    made.write(alert(), message())
    made.work()
    made.clock.pass_s(HOUR_S)
    made.work(HOUR_S)
    assert {"ola": ["raised"]} == told(phones)
    made.close()


def test_next_way_hears_the_reminder_and_the_end_as_well(tmp_path):
    made, phones = shop(tmp_path, NEXT)
    phones["ola"].answers = [again() for _ in range(99)]
    made.write(alert(), message())
    live(made, 900)
    made.write(message(kind="reminder", step=1, at_us=made.clock.now_us()))
    live(made, 300)
    made.write(ended(after_min=25), message(kind="ended", at_us=made.clock.now_us()))
    live(made, 300)
    assert ["raised", "reminder", "ended"] == phones["kari"].told
    made.close()


# test message


TEST = '[plan]\ntest = "06:00"\ntest_days = ["Mon-Fri"]\n'


def test_test_message_goes_out_each_day_by_every_way_whatever_urgencies_it_takes(tmp_path):
    made, phones = shop(tmp_path, TEST)
    made.work()
    assert {} == told(phones)
    live(made, 5 * 86_400, 1800.0)  # into Monday, before the test message is due
    assert {name: ["digest"] * 3 for name in phones} == told(phones)  # Wednesday to Friday
    assert "Test: this way to people works" == phones["gate"].letters[0].title
    made.close()


def test_test_message_is_sent_once_over_a_restart(tmp_path):
    made, phones = shop(tmp_path, TEST)
    made.clock = FakeClock(AT_0600_US + MINUTE_US)
    for _ in range(3):
        made.outbox.close()
        made.outbox = made.new_outbox()
        made.work()
    assert ["digest"] == phones["ola"].told
    made.close()


def test_test_message_that_could_not_go_out_for_days_goes_out_once(tmp_path):
    made, phones = shop(tmp_path, '[plan]\ntest = "03:30"\n')
    phones["ola"].answers = [again() for _ in range(999)]
    live(made, 3 * 86_400, 1800.0)
    phones["ola"].answers = []
    live(made, 600)
    assert ["digest"] == phones["ola"].told
    assert "a newer test message waits behind it" in {
        d.reason for d in made.journal.deliveries("cancelled")
    }
    made.close()


# what a person has to put right


def test_way_put_right_tells_what_failed_before_once_and_by_the_latest_word(tmp_path):
    made, phones = shop(tmp_path, '[plan.now]\nways = ["ola"]\ntell_end = true\n')
    wrong = SendError("401: check the secret", again=False, setup=True)
    phones["ola"].answers = [wrong] * 4
    made.write(alert(1), message(1), alert(2), message(2))
    live(made, 60)
    assert ["failed", "failed"] == [d.state for d in made.journal.deliveries()]
    live(made, 900)  # tried again, and still wrong
    assert {} == told(phones)
    made.write(ended(2, after_min=15), message(2, kind="ended", at_us=made.clock.now_us()))
    live(made, 60)
    assert ["story"] == phones["ola"].told
    live(made, 900)
    assert ["story", "raised"] == phones["ola"].told
    assert [["alert-2"], ["alert-1"]] == [[a.id for a in x.alerts] for x in phones["ola"].letters]
    assert [] == made.journal.deliveries("failed") + made.journal.deliveries("waiting")
    made.close()


def test_what_is_refused_for_good_is_not_tried_again(tmp_path):
    made, phones = shop(tmp_path, '[plan.now]\nways = ["ola"]\n')
    phones["ola"].answers = [never()]
    made.write(alert(), message())
    live(made, 2 * HOUR_S, 60.0)
    assert 1 == phones["ola"].tries
    made.close()


class TornCalendar(SiteCalendar):
    """A calendar that cannot tell when the next morning is."""

    def next_local(self, at_us, minute_of_day, days):
        raise LookupError("the zone's file is torn")


def test_trouble_with_the_plan_itself_ends_no_delivery(tmp_path):
    phone = Phone("ola")
    torn = replace(routing(tmp_path, TEST), calendar=TornCalendar("UTC"))
    made = Shop(tmp_path, phone, routing=torn)
    stop = threading.Event()
    thread = threading.Thread(target=made.outbox.run, args=(stop,))
    with capture_logs() as logs:
        thread.start()
        until(lambda: logs, 10, "it is told")
        made.write(alert(), message())
        until(lambda: phone.letters, 10, "the message is out")
        stop.set()
        thread.join(10)
    assert ["fault in the plan"] == [line["event"] for line in logs]
    made.close()
