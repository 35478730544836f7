"""The engine's door: order, late samples, holes, links, and every kind of record."""

import numpy as np
import pytest

from condmon.engine import records as rec
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert, Entry, Judged, Message
from condmon.engine.records import (
    NO_TIME,
    SECOND_US,
    Beacon,
    Gap,
    Link,
    ModelOn,
    Started,
    Stray,
    samples,
)
from condmon.engine.settings import Machine, Settings
from tests.engine.builders import T0_US, shop, signal

S = SECOND_US


def row(index, at_s, value, own_s=None, mark=0):
    own = NO_TIME if own_s is None else T0_US + round(own_s * S)
    return samples([(index, T0_US + round(at_s * S), own, value, 0, mark, 0)])


def engine_of(*signals, judged=False, **more):
    mill = Machine("mill-1", "Mill 1", tuple(signals))
    return Engine(Settings("Pier", shop().calendar, (mill,), digest="t", **more), judged=judged)


def air():
    return signal(0, "mill-1", "air", "air_flow", stale_after_s=30.0)


def held(engine):
    return float(engine.watches[0].ticks.held[0])


def test_second_is_closed_by_the_beacon_that_is_lateness_past_its_end():
    engine = engine_of(air())
    engine.push([row(0, 0.5, 7.0), Beacon(T0_US + int(2.9 * S))])
    assert 0 == engine.ticks_done
    engine.push([Beacon(T0_US + 3 * S)])
    assert (2, 7.0) == (engine.ticks_done, held(engine))  # mill-1 and condmon itself


def test_newest_by_own_time_wins_in_a_second_not_the_newest_arrival():
    engine = engine_of(air())
    engine.push(
        [row(0, 0.1, 1.0), row(0, 0.8, 5.0, 0.7), row(0, 0.9, 4.0, 0.2), Beacon(T0_US + 9 * S)]
    )
    assert 5.0 == held(engine)


def test_sample_of_a_closed_second_is_late_and_touches_nothing():
    engine = engine_of(air(), judged=True)
    engine.push([row(0, 0, 1.0), Beacon(T0_US + 60 * S)])
    (judged,) = engine.push([row(0, 60, 99.0, 20)])
    assert isinstance(judged, Judged)
    assert rec.LATE == judged.samples.mark[0]
    engine.push([Beacon(T0_US + 70 * S)])
    assert 1.0 == held(engine)


def test_historical_sample_goes_to_its_own_time_and_never_to_now():
    engine = engine_of(air(), judged=True)
    engine.push([row(0, 0, 1.0), row(0, 1, 99.0, 0.9, rec.HISTORICAL), Beacon(T0_US + 9 * S)])
    assert 1.0 == held(engine)


def test_beacon_that_goes_back_changes_nothing():
    engine = engine_of(air())
    engine.push([Beacon(T0_US + 50 * S), Beacon(T0_US)])
    assert T0_US + 50 * S == engine.now_us


def test_jump_of_the_beacon_is_not_walked_through_and_is_told_once():
    engine = engine_of(air())
    engine.push([row(0, 0, 1.0), Beacon(T0_US + 10 * S)])
    before = engine.ticks_done
    out = engine.push([Beacon(T0_US + 10**6 * S), Beacon(T0_US + (10**6 + 5) * S)])
    assert engine.ticks_done - before < 20
    told = [o for o in out if isinstance(o, Entry) and o.machine == "mill-1"]
    assert ["nothing was recorded for 11 d 13 h; what happened then is not known"] == [
        e.text for e in told
    ]
    assert not [o for o in out if isinstance(o, Alert)]


def test_silence_with_beacons_is_walked_through_and_raises():
    engine = engine_of(air())
    engine.push([row(0, 0, 1.0)])
    out = engine.push([Beacon(T0_US + s * S) for s in range(0, 200, 10)])
    (message,) = [o for o in out if isinstance(o, Message)]
    assert "Mill 1 TODAY: air silent" == message.title


def test_signals_are_not_missed_while_the_link_is_down():
    engine = engine_of(air())
    engine.push([row(0, 0, 1.0), Link(T0_US + S, up=False, reason="refused")])
    out = engine.push([Beacon(T0_US + s * S) for s in range(2, 700, 5)])
    assert ["condmon NOW: condmon has lost its broker and sees nothing"] == [
        o.title for o in out if isinstance(o, Message)
    ]
    engine.push([Link(T0_US + 700 * S, up=True)])
    out = engine.push([Beacon(T0_US + s * S) for s in range(700, 730, 5)])
    assert [] == [o for o in out if isinstance(o, Message)]


def test_device_restart_makes_the_next_step_of_its_counters_unknown():
    oil = signal(0, "mill-1", "oil", "oil_pulses", width_bits=16)
    engine = engine_of(oil)
    engine.push(
        [
            row(0, 0, 10.0),
            Beacon(T0_US + 5 * S),
            Gap(T0_US + 5 * S, T0_US, T0_US + 5 * S, "restart", machine="mill-1"),
        ]
    )
    out = engine.push([row(0, 6, 50.0), Beacon(T0_US + 20 * S)])
    assert [
        "oil: the counter may have restarted in between; this step cannot be told (10 to 50)"
    ] == [o.text for o in out if isinstance(o, Entry)]


@pytest.mark.parametrize(
    ("record", "kind", "words"),
    [
        (
            Gap(T0_US, T0_US - 90 * S, T0_US, "condmon was away", 7),
            "gap",
            "condmon was away: nothing for 90 s, 7 messages are known to be lost",
        ),
        (Link(T0_US, up=True), "link", "link to the broker is up"),
        (
            Stray(T0_US, "pier/\u2028x", "pier/x"),
            "topic",
            "heard a topic that nobody configured: 'pier/\\u2028x'; it looks like pier/x",
        ),
        (
            Stray(T0_US, ""),
            "topic",
            "further topics that nobody configured are only counted from now on",
        ),
        (Started(T0_US, "1.0", "ab"), "start", "condmon 1.0 started for the first time"),
        (
            Started(T0_US, "1.0", "ab", restart=True),
            "start",
            "condmon 1.0 started again after a stop",
        ),
        (
            ModelOn(T0_US, "mill-1", "thermal", "m1"),
            "model",
            "model thermal m1 is not used: no check of this machine asks for such a model",
        ),
    ],
)
def test_record_becomes_an_entry_in_words(record, kind, words):
    (entry,) = engine_of(air()).push([record])
    assert (kind, words) == (entry.kind, entry.text)


def test_outputs_stand_in_the_order_of_what_caused_them():
    engine = Engine(shop(2))
    out = engine.push(
        [Beacon(T0_US)]
        + [
            r
            for t in range(1, 300)
            for r in (
                row(3, t, 20.0),
                row(3 + 11, t, 20.0),
                row(0, t, 0.0),
                row(11, t, 0.0),
                Beacon(T0_US + t * S),
            )
        ]
    )
    at = [o.at_us for o in out if isinstance(o, Alert)]
    assert sorted(at) == at
    assert {"mill-1", "mill-2"} == {o.machine for o in out if isinstance(o, Alert)}


def test_reordering_inside_the_lateness_changes_no_alert():
    rng = np.random.default_rng(5)
    rows = [(t + rng.random() * 0.9, float(50 * (t // 70 % 2))) for t in range(400)]

    def alerts(order):
        engine = engine_of(air())
        out = []
        for at, (own, value) in order:
            out += engine.push([row(0, at, value, own), Beacon(T0_US + round(at * S))])
        out += engine.push([Beacon(T0_US + 500 * S)])
        return [o for o in out if isinstance(o, Alert)]

    straight = [(own + 1, (own, value)) for own, value in rows]
    mixed = sorted((own + rng.random() * 1.9, (own, value)) for own, value in rows)
    assert alerts(straight) == alerts(mixed)


def test_machine_tells_which_checks_it_could_have_with_one_more_signal():
    engine = engine_of(
        signal(0, "mill-1", "power", "power"),
        signal(1, "mill-1", "bearing", "bearing_temperature"),
        signal(2, "mill-1", "speed", "spindle_speed"),
        signal(3, "mill-1", "oil", "oil_pulses"),
        signal(4, "mill-1", "closed", "door_closed"),
        signal(5, "mill-1", "cycle", "cycle_running"),
        signal(6, "mill-1", "supply", "coolant_supply_temperature"),
    )
    missing = {check: text for _, check, text in engine.missing()}
    assert {
        "air-while-off",
        "bearing-near-trip",
        "oil-missing",
        "door-latch",
        "unattended-stop",
        "coolant-off-set-point",
        "chiller-short-cycling",
        "hard-stop",
    } <= set(missing)
    assert "trip" in missing["bearing-near-trip"]
    assert 'every = "8 min"' in missing["oil-missing"]


def test_machines_with_a_single_cheap_sensor_are_told_what_one_more_would_bring():
    for role, lacks in {
        "air_valve": "power",
        "coolant_setpoint": "supply",
        "door_latched": "door",
        "coolant_level": "pump",
        "oil_pulses": "spindle speed",
    }.items():
        engine = engine_of(signal(0, "mill-1", "x", role, every_s=60.0))
        assert any(lacks in text for _, _, text in engine.missing()), role
    missing = engine_of(signal(0, "mill-1", "x", "spindle_speed")).missing()
    assert {"oil-missing", "bearing-near-trip", "hard-stop"} <= {check for _, check, _ in missing}


def test_check_that_a_shop_switched_off_is_not_there():
    from condmon.engine.settings import Adjust

    mill = Machine("mill-1", "Mill", (air(),), adjust={"sensor-silent": Adjust(enabled=False)})
    engine = Engine(Settings("Pier", shop().calendar, (mill,)))
    assert "sensor-silent" not in {c.id for c in engine.watches[0].checks}
