"""The simulated shop: repeatable, in order, believable, and faulty only where a recipe says so."""

import json
from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import pairwise, zip_longest
from pathlib import Path

import pytest

from condmon.engine.records import SECOND_US
from condmon.errors import UsageError
from condmon.plant import Fault, Plant, Reading, Recipe, load_recipe
from condmon.plant.recipe import FAULTS
from condmon.plant.signals import MILLS, sensors

HOUR_US = 3600 * SECOND_US
WEDNESDAY_US = round(datetime(2026, 11, 25, 5, tzinfo=UTC).timestamp()) * SECOND_US  # 06:00 local
SATURDAY_US = WEDNESDAY_US + 3 * 24 * HOUR_US
SEED = 5


def run(start_us: int, hours: float, *faults: Fault) -> Iterator[Reading]:
    recipe = Recipe(faults=faults)
    return Plant(SEED, start_us, recipe).run(start_us + round(hours * HOUR_US))


def readings(start_us: int, hours: float, *faults: Fault) -> list[Reading]:
    return list(run(start_us, hours, *faults))


def series(rows: list[Reading], signal: str, machine: str = "mill-1") -> list[tuple[float, str]]:
    """Hours since the first reading of all, and the value as sent."""
    found = []
    for row in rows:
        if row.machine == machine and row.signal == signal:
            text = row.payload
            value = text if text[0] != "{" else str(json.loads(text)["v"])
            found.append(((row.at_us - rows[0].at_us) / HOUR_US, value))
    return found


def numbers(rows: list[Reading], signal: str, machine: str = "mill-1") -> list[float]:
    return [float(value) for _, value in series(rows, signal, machine)]


def fault(name: str, from_h: float, size: float = 1.0, signal: str = "", until_h: float = 99):
    return Fault(
        name,
        "mill-1",
        WEDNESDAY_US + round(from_h * HOUR_US),
        WEDNESDAY_US + round(until_h * HOUR_US),
        size,
        signal=signal,
    )


@pytest.fixture(scope="module")
def workday() -> list[Reading]:
    return readings(WEDNESDAY_US, 15)


def test_same_seed_start_and_recipe_give_the_same_readings():
    assert readings(WEDNESDAY_US, 3) == readings(WEDNESDAY_US, 3)


def test_another_seed_gives_another_day():
    one = list(Plant(1, WEDNESDAY_US, Recipe()).run(WEDNESDAY_US + 3 * HOUR_US))
    two = list(Plant(2, WEDNESDAY_US, Recipe()).run(WEDNESDAY_US + 3 * HOUR_US))
    assert one != two


def test_many_short_runs_give_what_one_long_run_gives():
    plant = Plant(SEED, WEDNESDAY_US, Recipe())
    steps = []
    for step in range(1, 14):
        steps += list(plant.run(WEDNESDAY_US + step * 700 * SECOND_US))
    assert readings(WEDNESDAY_US, 13 * 700 / 3600) == steps


def test_readings_come_in_order_of_time_and_within_the_span(workday: list[Reading]):
    times = [row.at_us for row in workday]
    assert sorted(times) == times
    assert times[0] >= WEDNESDAY_US
    assert times[-1] < WEDNESDAY_US + 15 * HOUR_US


def test_every_sensor_of_every_machine_is_heard_in_a_working_day(workday: list[Reading]):
    heard = {(row.machine, row.signal) for row in workday}
    assert {(mill.id, sensor.name) for mill in MILLS for sensor in sensors(mill)} == heard


def test_json_sensors_send_their_own_time_just_before_the_message(workday: list[Reading]):
    own = [
        row.at_us // 1000 - json.loads(row.payload)["t"]
        for row in workday
        if row.payload.startswith("{") and not row.signal.startswith("stroke")
    ]
    assert {15} == set(own)


def test_bearing_follows_speed_with_a_lag_and_stays_well_under_its_trip(workday: list[Reading]):
    bearing = numbers(workday, "bearing_lower")
    assert 35 < max(bearing) < MILLS[0].trip_c - 5
    steps = [abs(b - a) for a, b in pairwise(bearing)]
    assert max(steps) < 0.8  # kelvin in ten seconds: a mass, not a switch


def test_healthy_chiller_holds_its_set_point_while_working(workday: list[Reading]):
    at_work = [float(v) for hour, v in series(workday, "coolant_supply") if 2 < hour < 11]
    assert max(abs(value - MILLS[0].setpoint_c) for value in at_work) < 1.0


def test_healthy_oil_pulse_comes_every_eight_minutes_of_turning(workday: list[Reading]):
    speeds = numbers(workday, "spindle_speed")
    turning_s = sum(1 for speed in speeds if speed > 50)
    count = numbers(workday, "oil_pulses")
    assert (count[-1] - count[0]) % 65536 == pytest.approx(turning_s / 480, abs=3)


def test_machine_sensors_are_silent_while_the_machine_is_off(workday: list[Reading]):
    power = series(workday, "power")
    off_from = next(hour for hour, word in power if word == "off" and hour > 10)
    assert max(hour for hour, _ in series(workday, "spindle_load")) <= off_from + 0.01
    assert max(hour for hour, _ in series(workday, "room")) > off_from + 1


def test_air_purges_after_power_off_and_then_stops(workday: list[Reading]):
    off_from = next(h for h, word in series(workday, "power") if word == "off" and h > 10)
    flow = {hour: float(value) for hour, value in series(workday, "air_flow")}
    assert min(v for h, v in flow.items() if off_from < h < off_from + 200 / 3600) > 30
    assert max(v for h, v in flow.items() if h > off_from + 300 / 3600) < 1


def test_lights_out_night_runs_with_the_door_shut(workday: list[Reading]):
    night = [
        row
        for row in workday
        if row.machine == "mill-2" and row.at_us > workday[-1].at_us - 2 * HOUR_US
    ]
    assert {"closed"} == {word for _, word in series(night, "door_closed", "mill-2")}
    words = [word for _, word in series(night, "cycle_running", "mill-2")]
    assert "running" in words


def test_weekend_is_off():
    rows = readings(SATURDAY_US, 12)
    assert {"off"} == {word for mill in MILLS for _, word in series(rows, "power", mill.id)}
    assert [] == series(rows, "spindle_speed")


def test_states_are_said_again_at_least_every_five_minutes(workday: list[Reading]):
    hours = [hour for hour, _ in series(workday, "air_valve")]
    assert max(b - a for a, b in pairwise(hours)) <= 300 / 3600 + 1e-6


def test_stuck_air_valve_keeps_air_flowing_after_power_off():
    rows = readings(WEDNESDAY_US, 14, fault("air-valve-stuck-open", 12))
    assert 35 < numbers(rows, "air_flow")[-1] < 42
    assert "off" == series(rows, "power")[-1][1]
    assert "open" == series(rows, "air_valve")[-1][1]


def test_stopped_oil_makes_no_pulse_while_the_spindle_turns():
    rows = readings(WEDNESDAY_US, 6, fault("oil-pulses-stop", 3))
    late = [value for hour, value in series(rows, "oil_pulses") if hour > 3]
    assert 1 == len(set(late))
    assert max(float(v) for h, v in series(rows, "spindle_speed") if h > 4) > 1000


def test_more_friction_makes_the_bearing_hotter_than_on_the_same_healthy_day(
    workday: list[Reading],
):
    rows = readings(WEDNESDAY_US, 8, fault("bearing-friction", 3, 1.0))
    assert max(numbers(rows, "bearing_lower")) > max(numbers(workday, "bearing_lower")) + 5


def test_machine_stops_itself_when_a_bearing_reaches_its_trip():
    rows = readings(WEDNESDAY_US, 8, fault("bearing-friction", 2, 6.0))
    hot = next(h for h, v in series(rows, "bearing_lower") if float(v) >= MILLS[0].trip_c)
    after = [float(v) for h, v in series(rows, "spindle_speed") if hot + 0.05 < h < hot + 0.4]
    assert 5 > max(after)


def test_weak_chiller_loses_its_set_point_with_the_compressor_always_on():
    rows = readings(WEDNESDAY_US, 7, fault("chiller-weak", 3, 0.8))
    assert numbers(rows, "coolant_supply")[-1] > MILLS[0].setpoint_c + 3
    assert {"on"} == {word for hour, word in series(rows, "compressor") if hour > 5}


def test_lost_cooling_and_leaking_coolant_show_where_they_should(workday: list[Reading]):
    rows = readings(WEDNESDAY_US, 6, fault("bearing-cooling-lost", 3), fault("coolant-leak", 3, 20))
    healthy = [float(v) for h, v in series(workday, "bearing_upper") if 4 < h < 6]
    warmer = [float(v) for h, v in series(rows, "bearing_upper") if 4 < h < 6]
    assert sum(warmer) / len(warmer) > sum(healthy) / len(healthy) + 3
    assert numbers(rows, "coolant_level")[-1] < 45


def test_slow_latch_takes_longer_and_second_push_longer_still(workday: list[Reading]):
    slow = readings(WEDNESDAY_US, 8, fault("latch-slow", 0, 1.5))
    again = readings(WEDNESDAY_US, 8, fault("latch-second-push", 0, 1.0))
    assert max(numbers(workday, "latch_time")) < 1.0
    assert 1.8 < min(numbers(slow, "latch_time"))
    assert 4 < min(numbers(again, "latch_time"))


def test_silent_sensor_is_silent_and_broken_sensor_sends_its_code():
    rows = readings(
        WEDNESDAY_US,
        4,
        fault("sensor-silent", 2, signal="air_flow", until_h=3),
        fault("sensor-sentinel", 2, -127, signal="bearing_upper"),
    )
    assert [] == [h for h, _ in series(rows, "air_flow") if 2.01 < h < 2.99]
    assert [] != [h for h, _ in series(rows, "air_flow") if h > 3]
    assert {"-127.0"} == {v for h, v in series(rows, "bearing_upper") if h > 2.01}


def test_stopped_program_stands_and_lost_link_says_nothing():
    rows = readings(WEDNESDAY_US, 6, fault("cycle-stops", 4))
    assert {"stopped"} == {word for h, word in series(rows, "cycle_running") if h > 4.01}
    rows = readings(WEDNESDAY_US, 2, fault("link-lost", 1))
    assert {"mill-2"} == {row.machine for row in rows if row.at_us > WEDNESDAY_US + HOUR_US}


def test_every_fault_of_the_table_changes_the_readings():
    signal = {name: "air_flow" for name in FAULTS if name.startswith("sensor-")}
    signal |= {"axis-drag": "load_x", "axis-dent": "load_x", "axis-stroke": "stroke_x"}
    evening_us, noon_us = WEDNESDAY_US + 11 * HOUR_US, WEDNESDAY_US + 6 * HOUR_US
    hours = 1.25  # over the end of the shift
    healthy_at = {at_us: readings(at_us, hours) for at_us in (evening_us, noon_us)}
    for name in FAULTS:
        from_us = noon_us if name == "probe-shift" else evening_us  # it is calibrated at noon
        one = Fault(name, "mill-1", from_us, signal=signal.get(name, ""))
        both = zip_longest(healthy_at[from_us], run(from_us, hours, one))
        assert any(sound != faulty for sound, faulty in both), name  # the first is enough


GOOD = 'title = "x"\nstart = 2026-11-25T05:00:00Z\nfor = "8 h"\n'


def test_recipe_times_count_from_its_start(tmp_path: Path):
    path = tmp_path / "r.toml"
    path.write_text(GOOD + '[[fault]]\nfault = "cycle-stops"\nmachine = "mill-1"\nonset = "2 h"\n')
    recipe = load_recipe(path)
    assert WEDNESDAY_US == recipe.start_us
    assert WEDNESDAY_US + 2 * HOUR_US == recipe.faults[0].onset_us


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("title = 1 2", "not a recipe"),
        ('title = "x"\n', "a key is missing: 'start'"),
        (GOOD.replace("Z", ""), "with a zone"),
        (GOOD.replace('"8 h"', "8"), "not a duration"),
        (GOOD + "sede = 1\n", 'did you mean "seed"'),
        (GOOD + '[[fault]]\nfault = "chiler-weak"\nmachine = "m"\nonset = "1 h"\n',
         'did you mean "chiller-weak"'),
        (GOOD + '[[fault]]\nfault = "chiller-weak"\nmachine = "mil-1"\nonset = "1 h"\n',
         'did you mean "mill-1"'),
        (GOOD + '[[fault]]\nfault = "sensor-silent"\nmachine = "mill-1"\nonset = "1 h"\n'
         'signal = "air_flw"\n', 'did you mean "air_flow"'),
        (GOOD + '[fault]\nfault = "chiller-weak"\n', "[[fault]]"),
    ],
)  # fmt: skip
def test_bad_recipe_is_told_in_words(tmp_path: Path, text: str, words: str):
    path = tmp_path / "r.toml"
    path.write_text(text)
    with pytest.raises(UsageError, match=r"r\.toml") as told:
        load_recipe(path)
    assert words in str(told.value)


def test_missing_recipe_is_told_in_words(tmp_path: Path):
    with pytest.raises(UsageError, match="cannot be read"):
        load_recipe(tmp_path / "none.toml")
