"""Eight weeks of a shop of three machines: silent while it is healthy, every fault found once.

In the healthy weeks: spring, weekends, night runs, a new product every week, warm-ups, a holiday,
new filters, a change to summer time and a power cut (tests/weeks.py). In the troubled ones each
fault lasts from its onset until somebody has seen to it. Not here, because they need a learned
model, the words of a control or a service book: odd-pattern, control-alarm, service-due.
"""

from collections import Counter
from datetime import datetime, timedelta
from typing import NamedTuple

import pytest

from condmon.engine.checks.book import SHIPPED
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert, Message
from condmon.engine.records import SECOND_US
from condmon.engine.words import span
from tests.weekbody import DAYS, START, ZONE, Trouble
from tests.weeks import Shop, settings

WEEK_US = 7 * 86400 * SECOND_US
ELSEWHERE = {"odd-pattern", "control-alarm", "service-due"}
"""Raised in tests/engine/test_odd_pattern.py, by replay/recipes/control-fault.toml and in
tests/engine/test_service_tasks.py."""


def mill_1(check: str, day: int, hour: float, hours: float) -> Trouble:
    return Trouble(check, "mill-1", day, hour, hours)


def mill_2(check: str, day: int, hour: float, hours: float) -> Trouble:
    return Trouble(check, "mill-2", day, hour, hours)


TROUBLES = (  # day 7 is the second Monday; mill-1 runs on at night after days 1 and 3 of a week
    mill_1("coolant-off-set-point", 8, 10, 3),
    mill_1("oil-missing", 9, 9, 3),
    mill_1("chiller-short-cycling", 10, 8, 5),
    mill_1("unattended-stop", 10, 22, 3),
    mill_1("air-while-off", 11, 18, 5),
    mill_1("hydraulic-sagging", 14, 8, 6),
    mill_1("axis-unlike", 15, 7, 20),
    mill_1("bearing-near-trip", 17, 10, 1.5),
    mill_1("hard-stop", 18, 14.5, 0.5),
    mill_1("vibration-risen", 21, 7, 10),
    mill_1("compressor-load", 25, 18, 40),
    mill_1("probe-shift", 28, 6, 200),
    mill_1("way-oil-falling", 42, 6, 30),
    mill_1("axis-trace", 44, 8, 9),
    mill_1("sensor-spikes", 45, 7, 9),
    mill_1("sensor-noisy", 46, 6, 20),
    mill_1("state-contradicts", 49, 8, 3),
    mill_2("air-down", 8, 11, 1),
    mill_2("air-missing", 9, 11, 1),
    mill_2("air-leak", 10, 18, 36),
    mill_2("air-bleed-down", 14, 17, 60),
    mill_2("door-latch", 18, 7, 11),
    mill_2("coolant-falling", 19, 1, 4),
    mill_2("coolant-low", 21, 8, 30),
    mill_2("way-oil-unused", 24, 6, 72),
    mill_2("axis-zone", 28, 7, 12),
    mill_2("bearing-hot", 32, 9, 6),
    mill_2("sensor-silent", 35, 9, 3),
    mill_2("sensor-unusable", 36, 9, 3),
    mill_2("sensor-stuck", 37, 9, 6),
    mill_2("sensor-drift", 38, 12, 60),
    mill_2("sensors-swapped", 43, 8, 9),
    Trouble("bearing-warming", "lathe-3", 14, 6, 42 * 24 - 6, ramp=True),
    Trouble("condmon-health", "condmon", 30, 3, 2),
    Trouble("condmon-link", "condmon", 33, 3, 1),
)


class Weeks(NamedTuple):
    """What came of the weeks."""

    alerts: list[Alert]  # each as it was raised
    messages: list[Message]
    seen: set[str]  # checks that were there to be raised


def live_through(troubles: tuple[Trouble, ...], days: int = DAYS, seed: int = 7) -> Weeks:
    shop = Shop(settings(), seed, troubles)
    engine = Engine(shop.settings)
    alerts: dict[str, Alert] = {}
    messages = []
    for day in range(days):
        for output in engine.push(list(shop.day(day))):
            if isinstance(output, Alert):
                alerts.setdefault(output.id, output)
            elif isinstance(output, Message):
                messages.append(output)
    there = {check.id for watch in engine.watches for check in watch.checks}
    return Weeks(list(alerts.values()), messages, there)


def at_us(day: int, hour: float) -> int:
    midnight = datetime.combine(START + timedelta(day), datetime.min.time(), ZONE)
    return round(midnight.timestamp() + hour * 3600) * SECOND_US


@pytest.mark.slow
@pytest.mark.parametrize("days", [10, pytest.param(DAYS, marks=pytest.mark.long)])
def test_healthy_weeks_send_at_most_one_message_a_machine_and_week(days, capsys):
    weeks = live_through((), days)
    titles = {alert.id: f"{alert.title}: {alert.what}" for alert in weeks.alerts}
    count: Counter[tuple[str, int]] = Counter()
    with capsys.disabled():
        print(f"\n  {days} healthy days, three machines: {len(weeks.messages)} messages")
        for message in weeks.messages:
            week = (message.at_us - at_us(0, 0)) // WEEK_US
            for alert in message.alerts:
                machine = next(a.machine for a in weeks.alerts if a.id == alert)
                count[machine, week] += 1
                print(f"    week {week + 1} {machine}: {titles[alert]}")
    assert not [key for key, number in count.items() if number > 1]


@pytest.mark.long
@pytest.mark.parametrize("days", [DAYS])
def test_every_fault_in_eight_weeks_is_found_in_its_time(days, capsys):
    troubles = [t for t in TROUBLES if t.day * 24 + t.hour + t.hours + 12 <= days * 24]
    weeks = live_through(TROUBLES, days)
    assert weeks.seen <= set(SHIPPED)
    missed = []
    with capsys.disabled():
        print("\n  fault, machine: found after")
        for trouble in troubles:
            onset = at_us(trouble.day, trouble.hour)
            end = onset + round(trouble.hours * 3600 + 12 * 3600) * SECOND_US
            found = [
                a.raised_us
                for a in weeks.alerts
                if (a.check, a.machine) == (trouble.check, trouble.machine)
                and onset <= a.raised_us <= end
            ]
            if found:
                delay = span((min(found) - onset) / SECOND_US)
                print(f"    {trouble.check}, {trouble.machine}: {delay}")
            else:
                missed.append(f"{trouble.check} on {trouble.machine}")
        print(f"    {len(weeks.messages)} messages in all, {len(weeks.alerts)} alerts")
    assert [] == missed


def test_every_shipped_check_has_its_fault_in_the_weeks():
    assert set(SHIPPED) - ELSEWHERE == {trouble.check for trouble in TROUBLES}
