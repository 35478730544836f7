"""A thread that hangs without ending is noticed, named, told to a person, and well when it is."""

import sys
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime

import pytest

from condmon.daemon.service import Service
from condmon.daemon.watchdog import VITAL_MAX_S
from condmon.engine.health import PARTS, hangs
from condmon.engine.outputs import Alert
from condmon.jobs import MAY_TAKE_S as CHORE_S
from condmon.jobs import Jobs
from condmon.life import MAY_TAKE_S, Late, Life
from condmon.store.journal import Reader
from tests.brokers import free_port
from tests.daemons import MILL
from tests.receivers import web
from tests.shell.test_daemon import Manager
from tests.shops import Shop, shop
from tests.waiting import until

__all__ = ["shop", "web"]


class Hand:
    """A clock moved by hand."""

    def __init__(self):
        self.now_s = 100.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def hand():
    return Hand()


def test_who_asks_lives_and_who_asks_no_more_is_late_until_it_asks_again(hand):
    life = Life(hand)
    one, other = life.pulse("delivery", "gate"), life.pulse("delivery", "owner")
    for pulse in (one, other):
        assert not pulse.is_set()
    hand.now_s += MAY_TAKE_S - 1
    other.is_set()
    assert [] == life.late()
    hand.now_s += 2
    assert [("delivery", "gate", MAY_TAKE_S + 1)] == life.late()
    assert {"delivery": MAY_TAKE_S + 1} == life.figures()
    one.is_set()
    assert [] == life.late()
    assert {"delivery": 0.0} == life.figures()


def test_of_several_that_hang_the_longest_is_the_figure_of_their_part(hand):
    life = Life(hand)
    life.pulse("page", "charts").is_set()
    hand.now_s += 100
    life.pulse("page", "the page").is_set()
    life.pulse("mirror").is_set()
    hand.now_s += 1000
    assert ["charts", "mirror", "the page"] == sorted(one.name for one in life.late())
    assert {"page": 1100.0, "mirror": 1000.0} == life.figures()


def test_a_pause_a_rest_and_a_thread_that_never_began_are_no_hanging(hand):
    life = Life(hand)
    pausing, resting = life.pulse("mirror"), life.pulse("chores", "learn")
    life.pulse("page")
    pausing.sign(pause_s=3600.0)
    resting.sign()
    resting.rest()
    hand.now_s += 3600.0 + MAY_TAKE_S
    assert [] == life.late()
    hand.now_s += 1
    assert ["mirror"] == [one.part for one in life.late()]


def test_a_wait_is_a_sign_at_its_begin_and_at_its_end(hand):
    life = Life(hand)
    pulse = life.pulse("mirror")
    assert not pulse.wait(0.0)
    hand.now_s += MAY_TAKE_S + 1
    assert life.late()
    assert not pulse.wait(0.0)
    assert [] == life.late()


def test_a_stop_that_is_shared_stops_each_and_one_of_its_own_only_itself():
    life, shared = Life(), threading.Event()
    lanes = [life.pulse("delivery", name, shared) for name in ("gate", "owner")]
    mirror = life.pulse("mirror")
    mirror.set()
    assert [True, False, False] == [pulse.is_set() for pulse in (mirror, *lanes)]
    shared.set()
    assert [True, True] == [pulse.wait(9.0) for pulse in lanes]


def test_a_chore_may_take_its_time_and_no_more(hand):
    life, jobs = Life(hand), None
    jobs = Jobs(life)
    begun, go_on = threading.Event(), threading.Event()

    def chore() -> None:
        begun.set()
        go_on.wait(20)

    jobs.daily("learn", chore, hour=1, minute=40, may_take_s=4000.0)
    jobs.start()
    try:
        run_now(jobs, "learn")
        assert begun.wait(10)
        hand.now_s += 4000.0
        assert [] == life.late()
        hand.now_s += 1
        assert [("chores", "learn", 4001.0)] == life.late()
        go_on.set()
        until(lambda: not life.late(), 10, "it has ended")
    finally:
        go_on.set()
        jobs.stop()


def run_now(jobs: Jobs, name: str) -> None:
    jobs._scheduler.modify_job(name, next_run_time=datetime.now(UTC))


# in a service


class Hanging:
    """Takes the place of a piece of work and does not come back until it is let go."""

    def __init__(self):
        self.begun, self.go_on = threading.Event(), threading.Event()

    def __call__(self, *_):
        self.begun.set()
        self.go_on.wait(60)
        return []


class Ahead:
    """Real time, put ahead as if it had passed."""

    def __init__(self):
        self.by_s = 0.0

    def __call__(self):
        return time.monotonic() + self.by_s


@pytest.fixture
def ahead(monkeypatch):
    made = Ahead()
    monkeypatch.setattr("condmon.daemon.service.Life", lambda: Life(made))
    mirror = sys.modules["condmon.influx.mirror"]
    # who pauses for long does not see that time was put ahead
    monkeypatch.setattr("condmon.web.server.AGAIN_S", 0.2)
    monkeypatch.setattr(mirror, "HEALTH_EVERY_S", 0.2)
    monkeypatch.setattr(
        mirror, "PAUSES_S", dict.fromkeys((mirror.PASSING, mirror.PERSON), (0.1, 0.2))
    )
    return made


@pytest.fixture
def work() -> Iterator[Hanging]:
    made = Hanging()
    yield made
    made.go_on.set()


def ways(url: str) -> str:
    way = '[[send.webhook]]\nname = "{}"\nurl = "{}"\n'
    influx = f'[influx]\nurl = "http://127.0.0.1:{free_port()}"\n'
    page = f'[web]\nlisten = "127.0.0.1"\nport = {free_port()}\n'
    return MILL + way.format("gate", url) + way.format("owner", url) + influx + page


def own_alerts(shop: Shop) -> list[Alert]:
    with Reader(shop.store) as reader:
        return [alert for alert in reader.alerts() if alert.check == "condmon-health"]


def minutes(shop: Shop, service: Service, count: int) -> None:
    for _ in range(count * 12):
        shop.clock.pass_s(5)
        service.step()


def until_only(service: Service, one: str) -> None:
    """Until this part or way hangs and all others have shown life."""
    seen: list[list[Late]] = [[]]

    def only() -> bool:
        seen[0] = service._life.late()
        return [True] == [one in late for late in seen[0]]

    try:
        until(only, 10)
    except AssertionError as error:
        raise AssertionError(f"not {one} alone: {seen[0]}") from error


PLACES = {
    "delivery": ("condmon.delivery.outbox.Outbox._tend_plan", MAY_TAKE_S),
    "mirror": ("condmon.influx.Mirror._tell_health", MAY_TAKE_S),
    "chores": ("condmon.ledger.daily.DailyLook.look", CHORE_S),
    "page": ("condmon.web.server._stamp", MAY_TAKE_S),
    "commands": ("condmon.daemon.asked.Asked.look", MAY_TAKE_S),
}


def test_every_part_has_a_place_where_it_is_seen_to_hang():
    assert set(PARTS) == set(PLACES)


@pytest.mark.parametrize("part", PLACES)
def test_part_that_hangs_is_an_alert_that_ends_when_it_goes_on(
    shop, ahead, work, monkeypatch, part
):
    place, may_take_s = PLACES[part]
    shop.configure(ways("http://127.0.0.1:9/"))
    monkeypatch.setattr(place, work)
    service = shop.service()
    if part == "chores":
        run_now(service._jobs, "log")
    assert work.begun.wait(20)
    minutes(shop, service, 4)
    assert [] == own_alerts(shop), "in its time it is nobody's concern"
    ahead.by_s += may_take_s + 1
    until_only(service, part)
    minutes(shop, service, 5)
    [alert] = own_alerts(shop)
    assert (f"condmon-health/{hangs(part)}", None) == (
        f"{alert.check}/{alert.signals[0]}",
        alert.ended_us,
    )
    assert 1 == len([text for text in shop.texts("action") if "hangs: no sign of life" in text])
    work.go_on.set()
    until(lambda: not service._life.late(), 10, "it goes on")
    minutes(shop, service, 5)
    [alert] = own_alerts(shop)
    assert alert.ended_us is not None
    assert [text for text in shop.texts("action") if f"'{part}'" in text and "goes on" in text]


@pytest.mark.broker
def test_way_that_hangs_is_told_by_the_other_way_and_named(shop, ahead, work, web):
    shop.configure(ways(web.url))
    service = shop.service()
    gate = next(lane for lane in service._outbox._lanes if lane.name == "gate")
    gate._sender.send = work  # as a library without a time limit would
    shop.live(service, 8, 60.0)
    assert work.begun.wait(20), "the hot bearing is to be told"
    until(lambda: web.requests, 10, "the other way tells it")
    ahead.by_s += MAY_TAKE_S + 1
    until_only(service, "gate")
    minutes(shop, service, 5)
    titles = lambda: [r.event["data"]["title"] for r in web.requests]  # noqa: E731
    until(lambda: any("a way to people hangs" in title for title in titles()), 10, "told")
    assert [text for text in shop.texts("action") if "'delivery', 'gate', hangs" in text]


@pytest.fixture
def manager(tmp_path, monkeypatch):
    made = Manager(tmp_path, monkeypatch)
    yield made
    made.close()


def fed(manager: Manager, service: Service) -> bool:
    manager.heard()
    for _ in range(3):
        service.step()
    return b"WATCHDOG=1" in manager.heard()


@pytest.mark.parametrize(("part", "goes_on"), [("mirror", True), ("delivery", False)])
def test_service_manager_is_told_that_all_goes_on_unless_a_way_to_people_hangs(
    shop, ahead, work, manager, monkeypatch, part, goes_on
):
    shop.configure(ways("http://127.0.0.1:9/"))
    monkeypatch.setattr(PLACES[part][0], work)
    service = shop.service()
    assert work.begun.wait(20)
    ahead.by_s += VITAL_MAX_S - 60
    until_only(service, part)
    assert fed(manager, service), "the other ways shall tell it first"
    ahead.by_s += 61
    until_only(service, part)
    assert goes_on == fed(manager, service)


def test_computer_that_slept_makes_nobody_hang(shop, ahead):
    shop.configure(ways("http://127.0.0.1:9/"))
    service = shop.service()
    until(lambda: {"delivery", "mirror", "page", "commands"} == set(begun(service)), 20)
    minutes(shop, service, 1)
    ahead.by_s += 8 * 3600.0
    shop.clock.pass_s(8 * 3600.0)
    service.step()
    until(lambda: not service._life.late(), 10, "all show life again")
    minutes(shop, service, 5)
    assert [] == own_alerts(shop)
    assert not [text for text in shop.texts("action") if "hangs" in text]


def begun(service: Service) -> list[str]:
    """Parts of which a thread has shown life."""
    pulses = service._life._pulses.items()
    return [part for (part, _), pulse in pulses if pulse._signed_s < float("inf")]
