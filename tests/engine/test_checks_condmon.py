"""Checks of condmon itself: condmon-link and condmon-health."""

from collections.abc import Mapping
from dataclasses import replace

import pytest

from condmon.engine.engine import Engine
from condmon.engine.health import HEALTH
from condmon.engine.outputs import Alert, Message
from condmon.engine.records import Beacon, Health, Link, Record
from condmon.engine.settings import Adjust
from tests.engine.builders import T0_US, shop

S = 1_000_000
BAD = {
    "disk_free_share": (0.2, 0.01, "1.0 % of the disk is free"),
    "clock_off_s": (0.1, 90.0, "is 90 s off"),
    "outbox_age_s": (0.0, 7200.0, "waited 2 h"),
    "stream_silent_s": (1.0, 3600.0, "nothing has arrived for 60 min"),
    "store_behind_s": (0.0, 900.0, "15 min behind"),
    "mirror_away_s": (0.0, 90_000.0, "25 h"),
    "certificate_days": (90.0, 3.0, "ends in 3 days"),
    "log_faults": (0.0, 2.0, "2 places of the event log"),
    "unwritten": (0.0, 2400.0, "2,400 samples and entries wait"),
    "link_drops": (2.0, 10.0, "came back 10 times within 10 minutes"),
    "clock_unset_s": (0.0, 7200.0, "For 2 h the clock"),
    "delivery_hangs_s": (0.0, 720.0, "sends messages has shown no sign of life for 12 min"),
    "mirror_hangs_s": (0.0, 720.0, "hands over to the time-series server has shown no sign"),
    "chores_hangs_s": (0.0, 7200.0, "has not come to its end for 2 h"),
    "page_hangs_s": (0.0, 720.0, "phone page has shown no sign of life for 12 min"),
    "commands_hangs_s": (0.0, 720.0, "no sign of life for 12 min"),
}


def run(records: list[Record], own: Mapping[str, Adjust] | None = None) -> list[Alert | Message]:
    out = Engine(replace(shop(1), machines=(), own_adjust=own or {})).push(records)
    return [o for o in out if isinstance(o, Alert | Message)]


def every_minute(name: str, values: list[float]) -> list[Record]:
    records: list[Record] = []
    for minute, value in enumerate(values):
        at_us = T0_US + minute * 60 * S
        records.append(Health(at_us, name, value))
        records += [Beacon(at_us + second * S) for second in range(0, 60, 5)]
    return records


@pytest.mark.parametrize("name", HEALTH)
def test_condmon_health_speaks_of_each_lack_after_two_minutes_and_ends(name):
    good, bad, words = BAD[name]
    told = run(every_minute(name, [good] * 3 + [bad] * 5 + [good] * 5))
    alerts = [a for a in told if isinstance(a, Alert) and a.check == "condmon-health"]
    assert {f"condmon-health/{name}"} == {f"{a.check}/{a.signals[0]}" for a in alerts}
    assert words in alerts[0].what
    assert 120 == (alerts[0].raised_us - alerts[0].began_us) / S
    assert alerts[-1].ended_us is not None
    assert "today" == alerts[0].urgency


def test_condmon_health_is_silent_while_all_is_well_and_where_nothing_is_fed():
    healthy = [r for name, (good, _, _) in BAD.items() for r in every_minute(name, [good] * 10)]
    assert [] == run(sorted(healthy, key=lambda r: r.at_us))
    assert [] == run([Beacon(T0_US + i * S) for i in range(1200)])


def test_health_of_a_name_nobody_knows_says_nothing():
    assert [] == run(every_minute("mood", [0.0, 9.0, 9.0, 9.0, 9.0]))


def test_condmon_link_down_for_five_minutes_wakes_someone():
    beacons: list[Record] = [Beacon(T0_US + i * S) for i in range(700)]
    records = [Link(T0_US, up=True), *beacons[:100], Link(T0_US + 100 * S, up=False)]
    told = run([*records, *beacons[100:]])
    (message,) = [m for m in told if isinstance(m, Message) and m.kind == "raised"]
    assert "now" == message.urgency
    assert 100 + 300 == pytest.approx((message.at_us - T0_US) / S, abs=3)


def test_condmon_link_waits_as_long_and_is_as_urgent_as_the_shop_says():
    own = {"condmon-link": Adjust(hold_s=60, urgency="today")}
    beacons: list[Record] = [Beacon(T0_US + i * S) for i in range(400)]
    records = [Link(T0_US, up=True), *beacons[:100], Link(T0_US + 100 * S, up=False)]
    alerts = [a for a in run([*records, *beacons[100:]], own) if isinstance(a, Alert)]
    assert ("condmon-link", "today") == (alerts[0].check, alerts[0].urgency)
    assert 60 == pytest.approx((alerts[0].raised_us - alerts[0].began_us) / S, abs=1)


def test_checks_on_condmon_itself_can_be_switched_off_and_their_figures_changed():
    down = [Link(T0_US, up=False), *(Beacon(T0_US + i * S) for i in range(900))]
    assert [] == run(down, {"condmon-link": Adjust(enabled=False)})
    full = every_minute("disk_free_share", [0.03] * 8)
    assert [] == run(full, {"condmon-health": Adjust(figures={"disk_free": 0.02})})
    assert [] != run(full)
