"""First causes and their followers, floods of messages, chatter."""

from collections.abc import Sequence

from condmon.engine.causes import FOLLOWS
from condmon.engine.checks.book import SHIPPED
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert, Entry, Message
from condmon.engine.records import NO_TIME, SECOND_US, Action, Beacon, Record, samples
from condmon.engine.settings import Machine, OwnCheck, Plan, Settings
from tests.engine.builders import T0_US, shop, signal
from tests.engine.test_alerts import Bench

WINDY = OwnCheck("windy", ("*",), "air > 5", urgency="today", title="too much air")


def settings_of(machines: Sequence[Machine], *own: OwnCheck, **more: object) -> Settings:
    return Settings("Pier", shop().calendar, tuple(machines), own, digest="x", **more)  # type: ignore[arg-type]


def sent(index: int, second: float, value: float) -> Record:
    at = T0_US + round(second * SECOND_US)
    return samples([(index, at, NO_TIME, value, 0, 0, 0)])


def at(second: int) -> Beacon:
    return Beacon(T0_US + second * SECOND_US)


def airs(many: int) -> list[Machine]:
    return [
        Machine(f"m-{i}", f"M {i}", (signal(i, f"m-{i}", "air", "air_flow", stale_after_s=None),))
        for i in range(many)
    ]


def mill() -> Machine:
    parts = (
        ("power", "power", {}),
        ("speed", "spindle_speed", {"stale_after_s": None}),
        ("pressure", "air_pressure", {"stale_after_s": None}),
        ("flow", "air_flow", {"stale_after_s": None}),
    )
    return Machine(
        "mill-1", "Mill", tuple(signal(i, "mill-1", *p[:2], **p[2]) for i, p in enumerate(parts))
    )


def air_fails(pressure_back: int, flow_back: int, until: int) -> list[Alert | Message | Entry]:
    """Power and spindle on; pressure and flow go at 300 s and come back when told."""
    records: list[Record] = [sent(0, 0, 1), sent(1, 0, 8000), sent(2, 0, 6.2), sent(3, 0, 38)]
    events = [(300, 2, 1.0), (300, 3, 0.3), (pressure_back, 2, 6.2), (flow_back, 3, 38.0)]
    for minute in range(until // 60 + 1):
        records.append(at(minute * 60))
        records += [sent(i, s, v) for s, i, v in events if minute * 60 <= s < minute * 60 + 60]
    out = Engine(settings_of([mill()], plans={"now": Plan((60.0,), tell_end=True)})).push(records)
    return [o for o in out if isinstance(o, Alert | Message | Entry)]


def last(outputs: Sequence[object]) -> dict[str, Alert]:
    return {o.check: o for o in outputs if isinstance(o, Alert)}


def titles(outputs: Sequence[object]) -> list[str]:
    return [f"{o.kind} {o.title}" for o in outputs if isinstance(o, Message)]


def test_what_follows_from_lost_air_is_listed_under_it_without_a_message():
    out = air_fails(900, 900, 1200)
    alerts = last(out)
    assert "suppressed" == next(
        o.state for o in out if isinstance(o, Alert) and o.check == "air-missing"
    )
    assert alerts["air-down"].id == alerts["air-missing"].facts["follows"]
    assert "no air reaches the spindle" in str(alerts["air-down"].facts["followers"])
    assert "normal" == alerts["air-missing"].state
    assert ["raised", "reminder", "ended"] == [t.split()[0] for t in titles(out)]
    assert all("compressed air is down" in title for title in titles(out))
    assert any("follows from compressed air is down" in o.text for o in out if isinstance(o, Entry))


def test_follower_that_outlasts_its_cause_speaks_for_itself():
    out = air_fails(900, 3000, 1500)
    assert "active_unacknowledged" == last(out)["air-missing"].state
    told = [o for o in out if isinstance(o, Message) and "no air reaches" in o.title]
    assert 1 == len([m for m in told if m.kind == "raised"])
    ended = next(o for o in out if isinstance(o, Message) and o.kind == "ended")
    assert ended.at_us <= told[0].at_us


def test_nothing_is_hidden_under_a_less_urgent_cause_and_every_name_is_a_check():
    from condmon.engine.causes import RANK
    from condmon.engine.checks.book import CHECKS

    urgency = {check.id: check.urgency for check in CHECKS}
    for cause, followers in FOLLOWS.items():
        assert {cause, *followers} <= set(SHIPPED)
        assert cause not in followers
        if any(RANK[urgency[f]] > RANK[urgency[cause]] for f in followers):
            raise AssertionError(f"{cause} is less urgent than what follows from it")


def test_more_than_ten_messages_in_ten_minutes_become_one_that_says_how_many():
    machines = airs(25)
    records = [sent(i, 10 + i, 9) for i in range(25)]
    out = Engine(settings_of(machines, WINDY)).push([*records, at(300)])
    messages = [o for o in out if isinstance(o, Message)]
    assert [*["raised"] * 10, "digest"] == [m.kind for m in messages]
    fold = messages[-1]
    assert "and 15 more alerts" in fold.title
    assert 15 == len(fold.alerts)
    assert "and 7 more" in fold.text
    assert 20 + 60 == (fold.at_us - T0_US) // SECOND_US
    assert 25 == len(last_by_id(out))


def test_flood_that_goes_on_is_told_every_ten_minutes_and_is_over_when_it_is_calm():
    machines = airs(60)
    records: list[Record] = []
    for i in range(40):  # one alert every 30 s for 20 min
        records += [sent(i, 30 * i, 9), at(30 * i + 5)]
    records += [at(3600), sent(50, 3601, 9), at(3700)]
    out = Engine(settings_of(machines, WINDY)).push(records)
    messages = [o for o in out if isinstance(o, Message)]
    folds = [m for m in messages if m.kind == "digest"]
    assert 40 + 1 == sum(len(m.alerts) for m in messages)
    assert 1 <= len(folds) <= 3
    assert "raised" == messages[-1].kind


def test_folding_is_the_same_however_the_stream_is_cut_and_restored():
    machines = airs(25)
    records: list[Record] = []
    for i in range(25):
        records += [sent(i, 10 + 7 * i, 9), at(12 + 7 * i)]
    records.append(at(900))
    settings = settings_of(machines, WINDY)
    whole = [o for o in Engine(settings).push(records) if isinstance(o, Message)]
    engine, pieces = Engine(settings), []
    for record in records:
        pieces += engine.push([record])
        engine = Engine.restore(settings, engine.snapshot())
    assert whole == [o for o in pieces if isinstance(o, Message)]


def test_third_activation_within_a_minute_is_chatter_and_the_last_to_send_a_message():
    bench = Bench()
    for _ in range(6):
        bench.air(9, 5).air(1, 5)
    assert 3 == len(bench.messages())
    states = {o.id: o.state for o in bench.out if isinstance(o, Alert) and o.revision == 1}
    assert [*["active_unacknowledged"] * 3, *["suppressed"] * 3] == list(states.values())
    assert any("it chatters" in o.text for o in bench.out if isinstance(o, Entry))
    third = [o for o in bench.out if isinstance(o, Alert) and o.revision == 1][2]
    assert third.facts["chatters"] is True


def test_after_ten_calm_minutes_an_alert_is_told_again():
    bench = Bench()
    for _ in range(4):
        bench.air(9, 5).air(1, 5)
    bench.go(700).air(9, 5)
    assert 4 == len(bench.messages())


def test_twice_in_a_minute_is_no_chatter():
    bench = Bench()
    for _ in range(6):
        bench.air(9, 20).air(1, 20)
    assert 6 == len(bench.messages())


def test_returning_a_check_to_service_begins_a_new_base():
    from condmon.engine.checks.air_bleed_down import AirBleedDown

    (check,) = AirBleedDown.make(settings_of([mill()]), mill())
    check.lists["lost"], check.lists["last"] = [0.05] * 5, [0.3]
    assert 2 == check.judge()[0]
    check.told(Action(0, "return_to_service", "kim", machine="mill-1", check="air-leak"))
    assert 2 == check.judge()[0], "another check's return is none of ours"
    check.told(Action(0, "return_to_service", "kim", machine="mill-1", check="air-bleed-down"))
    assert 1 == check.judge()[0]


def last_by_id(outputs: Sequence[object]) -> dict[str, Alert]:
    return {o.id: o for o in outputs if isinstance(o, Alert)}
