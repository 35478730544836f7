"""The life of an alert: states, people, time, messages."""

import pytest

from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert, Entry, Message
from condmon.engine.records import NO_TIME, SECOND_US, Action, Beacon, samples
from condmon.engine.settings import Machine, OwnCheck, Plan, Settings
from tests.engine.builders import T0_US, shop, signal

HOUR = 3600


class Bench:
    """One machine with one check, air > 5; its air is set and time goes on."""

    def __init__(self, urgency="today", plan=None):
        mill = Machine(
            "mill-1", "Mill 1", (signal(0, "mill-1", "air", "air_flow", stale_after_s=None),)
        )
        own = OwnCheck(
            "windy",
            ("*",),
            "air > 5",
            0.0,
            0.0,
            0.0,
            urgency,
            "too much air",
            "it blows",
            ("the valve", "the hose"),
            "ears",
        )
        self.engine = Engine(
            Settings(
                "Pier",
                shop().calendar,
                (mill,),
                (own,),
                plans={urgency: plan or Plan()},
                digest="x",
            )
        )
        self.now = 0
        self.out = []

    def air(self, value, seconds=10):
        at = T0_US + self.now * SECOND_US
        self.out += self.engine.push([samples([(0, at, NO_TIME, value, 0, 0, 0)])])
        return self.go(seconds)

    def go(self, seconds):
        self.now += seconds
        self.out += self.engine.push([Beacon(T0_US + (self.now + 2) * SECOND_US)])
        return self

    def act(self, do, **more):
        alert = next((o.id for o in reversed(self.out) if isinstance(o, Alert)), "")
        at = T0_US + self.now * SECOND_US
        self.out += self.engine.push([Action(at, do, "kim", **{"alert": alert, **more})])
        return self

    @property
    def alert(self):
        return [o for o in self.out if isinstance(o, Alert)][-1]

    def messages(self):
        return [(m.kind, m.step) for m in self.out if isinstance(m, Message)]

    def said(self):
        return [e.text for e in self.out if isinstance(e, Entry)]


def test_raised_alert_carries_its_words_and_one_message():
    bench = Bench().air(1).air(9)
    assert "active_unacknowledged" == bench.alert.state
    assert ("windy", "too much air", "it blows") == (
        bench.alert.check,
        bench.alert.title,
        bench.alert.why,
    )
    assert "air > 5 has held: air 9 L/min." == bench.alert.what
    assert [("raised", 0)] == bench.messages()
    message = next(o for o in bench.out if isinstance(o, Message))
    assert "Mill 1 TODAY: too much air" == message.title


def test_id_of_an_alert_is_made_from_machine_check_and_onset():
    one, other = Bench().air(1).air(9), Bench().air(1).air(9)
    assert one.alert.id == other.alert.id
    assert one.alert.id != Bench().air(1).go(1).air(9).alert.id


def test_acknowledged_alert_that_ends_is_over():
    bench = Bench().air(9).act("acknowledge")
    assert ("active_acknowledged", "kim") == (bench.alert.state, bench.alert.acknowledged_by)
    bench.air(1)
    assert "normal" == bench.alert.state
    assert [] == bench.engine.open_alerts()


def test_alert_that_ends_unseen_stays_listed_until_someone_has_seen_it():
    bench = Bench().air(9).air(1)
    assert "returned_unacknowledged" == bench.alert.state
    assert 10 * SECOND_US == bench.alert.ended_us - bench.alert.began_us
    assert [bench.alert.id] == [a.id for a in bench.engine.open_alerts()]
    bench.act("acknowledge")
    assert "normal" == bench.alert.state


def test_book_lists_a_bounded_number_of_alerts_that_nobody_looked_at_and_says_which_leave_it():
    bench = Bench()
    for _ in range(303):
        bench.air(9, 2).air(1, 700)  # or it chatters
    listed = bench.engine.open_alerts()
    assert 300 == len(listed)
    raised = list(dict.fromkeys(o.id for o in bench.out if isinstance(o, Alert)))
    assert raised[3:] == [alert.id for alert in listed]
    left = [o for o in bench.out if isinstance(o, Entry) and "no longer listed" in o.text]
    assert raised[:3] == [entry.facts["alert"] for entry in left]
    assert {"normal"} == {
        next(o.state for o in reversed(bench.out) if isinstance(o, Alert) and o.id == gone)
        for gone in raised[:3]
    }
    assert left[0].text.endswith(bench.alert.title)


def test_alerts_that_last_are_never_unlisted():
    bench = Bench()
    bench.air(9, 2)
    lasting = bench.alert.id
    for _ in range(303):
        bench.air(9, 2)
    assert [lasting] == [alert.id for alert in bench.engine.open_alerts()]


def test_acknowledging_what_is_not_open_is_refused_in_words():
    bench = Bench().air(1).act("acknowledge", alert="nothing")
    assert "acknowledge was refused: the alert is not open" == bench.said()[-1]


def test_an_acknowledgement_taken_back_leaves_an_alert_nobody_has_seen_with_its_reminders():
    bench = Bench("now", Plan((900.0, 3600.0))).air(9).act("acknowledge").go(1000)
    assert [("raised", 0)] == bench.messages()
    bench.act("unacknowledge")
    assert ("active_unacknowledged", "", None) == (
        bench.alert.state,
        bench.alert.acknowledged_by,
        bench.alert.acknowledged_us,
    )
    assert "acknowledgement taken back: too much air" == bench.said()[-1]
    bench.go(3000)  # the reminder that would have come meanwhile is not made up for
    assert [("raised", 0), ("reminder", 2)] == bench.messages()


def test_an_acknowledgement_of_what_is_over_is_taken_back_too():
    bench = Bench().air(9).act("acknowledge").air(1)
    assert "normal" == bench.alert.state
    bench.act("unacknowledge", alert=bench.alert.id)
    assert "returned_unacknowledged" == bench.alert.state
    assert [bench.alert.id] == [a.id for a in bench.engine.open_alerts()]
    bench.act("acknowledge")
    assert ("normal", "kim") == (bench.alert.state, bench.alert.acknowledged_by)


@pytest.mark.parametrize("before", [(), ("acknowledge", "unacknowledge")])
def test_an_acknowledgement_that_is_not_there_is_not_taken_back(before):
    bench = Bench().air(9)
    for do in before:
        bench.act(do)
    bench.act("unacknowledge")
    assert "active_unacknowledged" == bench.alert.state
    assert "unacknowledge was refused: the alert is active unacknowledged" == bench.said()[-1]


def test_reminders_come_at_their_times_until_someone_acknowledges():
    bench = Bench("now", Plan((900.0, 3600.0, 7200.0))).air(9).go(1000)
    assert [("raised", 0), ("reminder", 1)] == bench.messages()
    bench.go(3000)
    assert ("reminder", 2) == bench.messages()[-1]
    bench.act("acknowledge").go(5 * HOUR)
    assert 3 == len(bench.messages())


def test_reminders_of_a_long_stretch_are_told_at_their_own_times():
    bench = Bench("now", Plan((60.0, 120.0))).air(9, 800)
    times = [
        m.at_us - bench.alert.raised_us
        for m in bench.out
        if isinstance(m, Message) and m.kind == "reminder"
    ]
    assert [60 * SECOND_US, 120 * SECOND_US] == times


def test_end_is_told_only_where_the_plan_asks_for_it():
    assert [("raised", 0)] == Bench().air(9).air(1).messages()
    assert [("raised", 0), ("ended", 0)] == Bench(plan=Plan((), tell_end=True)).air(9).air(
        1
    ).messages()


def test_shelved_alert_comes_back_when_its_time_is_over():
    bench = Bench().air(9)
    until = T0_US + (bench.now + 600) * SECOND_US
    bench.act("shelve", until_us=until)
    assert ("shelved", until) == (bench.alert.state, bench.alert.shelved_until_us)
    bench.go(500)
    assert "shelved" == bench.alert.state
    bench.go(200)
    assert ("active_unacknowledged", until) == (bench.alert.state, bench.alert.at_us)
    assert 2 == len(bench.messages())


def test_shelved_alert_that_ends_meanwhile_is_over_without_a_word():
    bench = Bench(plan=Plan((), tell_end=True)).air(9)
    bench.act("shelve", until_us=T0_US + 10**10).air(1)
    assert "normal" == bench.alert.state
    assert [("raised", 0)] == bench.messages()


def test_shelving_without_an_end_is_refused():
    bench = Bench().air(9).act("shelve", until_us=0)
    assert "active_unacknowledged" == bench.alert.state
    assert "shelve was refused: the alert is active unacknowledged" == bench.said()[-1]


def test_unshelving_by_hand_brings_it_back():
    bench = Bench().air(9).act("shelve", until_us=T0_US + 10**12).act("unshelve")
    assert "active_unacknowledged" == bench.alert.state


def test_reminders_that_fell_into_a_shelving_are_not_made_up_for():
    bench = Bench("now", Plan((60.0, 120.0))).air(9)
    bench.act("shelve", until_us=T0_US + 600 * SECOND_US).go(700).go(700)
    assert 2 == len(bench.messages())  # raised, and the word that it is still there


def test_check_out_of_service_is_logged_and_tells_nobody():
    bench = Bench().air(1).act("out_of_service", alert="", machine="mill-1", check="windy").air(9)
    assert "out_of_service" == bench.alert.state
    assert [] == bench.messages()
    bench.act("return_to_service", alert="", machine="mill-1", check="windy")
    assert ("active_unacknowledged", [("raised", 0)]) == (bench.alert.state, bench.messages())


def test_open_alert_goes_out_of_service_with_its_check():
    bench = Bench().air(9).act("out_of_service", alert="", machine="mill-1", check="windy")
    assert "out_of_service" == bench.alert.state
    bench.air(1)
    assert "normal" == bench.alert.state


@pytest.mark.parametrize("over", [False, True])
def test_cause_is_kept_with_the_alert_even_after_its_end(over):
    bench = Bench().air(9).act("acknowledge")
    if over:
        bench.air(1)
    bench.act("cause", text="valve spool stuck")
    assert "valve spool stuck" == bench.alert.cause
    if over:
        bench.act("cause", text="again")
        assert "cause was refused: no such alert is waiting for one" == bench.said()[-1]


def test_note_is_an_entry_and_nothing_more():
    bench = Bench().act("note", alert="", machine="mill-1", text="cleaned the filter")
    assert ["cleaned the filter"] == bench.said()
    assert "mill-1" == bench.out[-1].machine


def test_alert_that_comes_back_is_counted():
    mill = Bench()
    watch = mill.engine.watches[0]
    watch.latches[[check.key for check in watch.checks].index("windy")].release = 100
    mill.air(9).air(1).air(9)
    assert 2 == mill.alert.count
    assert [("raised", 0)] == mill.messages()
    assert "too much air: came back, 2 times now" in mill.said()


def test_alert_says_when_it_can_no_longer_be_judged():
    bench = Bench().air(9)
    at = T0_US + bench.now * SECOND_US
    bench.out += bench.engine.push([samples([(0, at, NO_TIME, float("nan"), 3, 0, 7)])])
    bench.go(100)
    assert not bench.alert.judged
    bench.air(9)
    assert bench.alert.judged


def test_notes_are_told_together_at_the_time_of_the_digest():
    bench = Bench("note").air(9).air(1).air(9)
    assert [] == bench.messages()
    bench.go(20 * HOUR).go(20 * HOUR)
    (digest,) = [o for o in bench.out if isinstance(o, Message)]
    assert ("digest", 2, "Mill 1: 2 notes") == (digest.kind, len(digest.alerts), digest.title)
    assert "07:00:00" == shop().calendar.text(digest.at_us)[11:]


def test_notes_still_waiting_can_be_flushed_once():
    bench = Bench("note").air(9)
    (digest,) = bench.engine.flush_digest()
    assert "Mill 1: 1 note" == digest.title
    assert [] == bench.engine.flush_digest()


def test_book_keeps_a_bounded_number_of_alerts_without_a_cause():
    bench = Bench()
    for _ in range(230):
        bench.air(9, 2).act("acknowledge").air(1, 2)
    assert 200 == len(bench.engine.watches[0].book.closed)
