"""Levels, usual values and the judgement over weeks: like with like, whatever the room does."""

import math

import numpy as np
import pytest

from condmon.engine import warming
from condmon.engine.bearing_minutes import Row
from condmon.engine.levels import FIRST_DAYS, LEVELS_MAX, Day, Level, Levels, Means, Steady, Window
from condmon.engine.usual import Usual, plausible_shares

NAN = math.nan


def row(minute: int, temp: float, speed: float = 8000.0, room: float = 20.0) -> Row:
    return Row(0, minute, temp, room, NAN, speed, NAN, 0.0)


def test_ten_minutes_at_one_speed_are_steady():
    window = Window()
    seen = [window.push(row(i, 34.0)) for i in range(12)]
    assert [None] * 9 == seen[:9]
    assert seen[9] is not None
    assert (8000.0, 34.0, True) == (seen[9].speed, seen[9].now.temp_c, seen[9].settled)


@pytest.mark.parametrize(
    "rows",
    [
        [row(i, 34.0, 8000 if i < 5 else 9000) for i in range(10)],
        [row(i, 34.0, 200) for i in range(10)],
        [row(i if i < 5 else i + 1, 34.0) for i in range(10)],
        [row(i, NAN if i == 7 else 34.0) for i in range(10)],
        [row(i, 34.0, NAN if i == 7 else 8000) for i in range(10)],
    ],
    ids=["faster", "standing", "hole", "no temperature", "no speed"],
)
def test_what_is_not_steady_says_nothing(rows):
    window = Window()
    assert [None] * 10 == [window.push(one) for one in rows]


def test_warming_is_steady_and_not_settled():
    window = Window()
    seen = [window.push(row(i, 30.0 + 0.2 * i)) for i in range(10)][-1]
    assert seen is not None
    assert 0.2 == pytest.approx(seen.slope)
    assert not seen.settled


def test_excess_over_any_share_of_the_room():
    both = Means(40.0, 30.0, 20.0)
    assert [20.0, 10.0, 17.0] == pytest.approx([both.over(s) for s in (0.0, 1.0, 0.3)])
    assert 10.0 == Means(40.0, 30.0, NAN).over(1.0)
    assert 20.0 == Means(40.0, NAN, 20.0).over(0.3)
    assert 40.0 == Means(40.0, NAN, NAN).over(1.0)


def test_first_days_stay_and_only_the_last_ones_move():
    level = Level(8000.0)
    for day in range(90):
        for minute in range(6):
            level.add(day * 1440 + minute, Means(30.0 + day, 20.0, NAN))
    level.close_before(91 * 1440)
    assert [*range(10)] == [day.day for day in level.days[:FIRST_DAYS]]
    assert 89 == level.days[-1].day
    assert 70 == len(level.days)


def test_few_minutes_make_no_day():
    level = Level(8000.0)
    level.add(0, Means(30.0, 20.0, NAN))
    assert not level.close_before(1440)
    assert [] == level.days


def test_number_of_levels_is_bounded_and_the_oldest_goes():
    levels = Levels()
    for i in range(LEVELS_MAX + 3):
        levels.at(1000.0 * 1.2**i).add(i * 1440, Means(30.0, 20.0, NAN))
    assert LEVELS_MAX == len(levels.levels)
    assert 1000.0 not in [level.speed for level in levels.levels]
    assert levels.at(levels.levels[5].speed * 1.03) is levels.levels[5]


def days(n: int, temp, room, supply=lambda day: NAN) -> Level:
    level = Level(8000.0)
    level.days = [Day(d, 60, Means(temp(d), room(d), supply(d))) for d in range(n)]
    return level


def test_growth_that_a_cooling_room_hides_is_found():
    room = lambda d: 22.0 - 0.2 * d  # noqa: E731
    found = warming.warmer(days(30, lambda d: room(d) + 14 + 0.15 * max(d - 10, 0), room), None)
    assert found is not None
    assert 0.15 * 18 == pytest.approx(found.rise_k, abs=0.05)
    assert found.per_week is not None
    assert found.per_week.low > 0


def test_warm_weeks_alone_are_no_growth():
    room = lambda d: 18.0 + 0.3 * d  # noqa: E731
    found = warming.warmer(days(30, lambda d: room(d) + 14, room), None)
    assert found is not None
    assert 0.0 == pytest.approx(found.rise_k, abs=0.01)


def test_bearing_cooled_by_a_supply_is_not_called_warmer_by_a_season():
    room = lambda d: 18.0 + 0.35 * d  # noqa: E731
    temp = lambda d: 0.8 * 22.0 + 0.2 * room(d) + 15.0  # noqa: E731
    for share in (None, 0.2):
        found = warming.warmer(days(40, temp, room, lambda d: 22.0), share)
        assert found is not None
        assert found.rise_k < 0.5


def test_share_of_the_room_is_found_where_the_room_moved():
    rng = np.random.default_rng(1)
    rooms = rng.normal(20, 2, 10).tolist()
    level = days(10, lambda d: 10.0 + 0.5 * rooms[d], lambda d: rooms[d])
    assert (0.5,) == pytest.approx(warming.shares_of(level.days), abs=0.01)
    still = days(10, lambda d: 34.0, lambda d: 20.0)
    assert (1.0,) == warming.shares_of(still.days)
    cooled = days(10, lambda d: 34.0, lambda d: 20.0, lambda d: 21.0)
    assert warming.WITHOUT_MODEL == warming.shares_of(cooled.days)


def test_too_few_or_too_old_days_say_nothing():
    flat, room = lambda d: 34.0, lambda d: 20.0
    assert warming.warmer(days(12, flat, room), None) is None
    level = days(13, flat, room)
    level.days[-1] = Day(60, 60, level.days[-1].mean)
    assert warming.warmer(level, None) is None


def steady(temp: float, room: float = 20.0, speed: float = 8000.0) -> Steady:
    return Steady(speed, Means(temp, room, NAN), 0.0)


def test_usual_value_is_learned_and_a_fault_is_not():
    usual = Usual()
    assert math.isnan(usual.compare(steady(34.0), (1.0,))[0])
    for minute in range(30):
        usual.add(steady(34.0), NAN, minute)
    for minute in range(300):
        rise, expected = usual.compare(steady(39.0), (1.0,))
        usual.add(steady(39.0), rise, 30 + minute)
    assert (5.0, 34.0) == pytest.approx((rise, expected))


def test_every_plausible_share_has_to_agree():
    usual = Usual()
    for minute in range(30):
        usual.add(steady(34.0, room=24.0), NAN, minute)
    colder = steady(34.0, room=18.0)  # the room fell, the bearing did not
    assert 2.4 == pytest.approx(usual.compare(colder, plausible_shares(True, False))[0])
    assert 0.0 == pytest.approx(usual.compare(colder, ())[0])


def test_usual_speeds_are_bounded():
    usual = Usual()
    for i in range(40):
        usual.add(steady(30.0, speed=500 * 1.2**i), NAN, i)
    assert LEVELS_MAX == len(usual.state())
