"""Times of sources, repeats, impossible values: what reaches the rules and what does not."""

import numpy as np
import pytest

from condmon.engine import records as rec
from condmon.engine.clockwatch import SourceClock
from condmon.engine.intake import Intake
from condmon.engine.records import NO_TIME, SECOND_US, samples
from condmon.engine.settings import Machine, Settings
from tests.cases import runner
from tests.engine.builders import T0_US, shop, signal

S = SECOND_US


def settle(rows, clock=None):
    """(seconds from T0, mark) of (own, arrived, value) rows in seconds from T0."""
    clock = clock or SourceClock()
    out = []
    for own, arrived, value in rows:
        at, mark = clock.settle(T0_US + round(own * S), T0_US + round(arrived * S), value, 0)
        out.append(((at - T0_US) / S, mark))
    return out


def test_own_time_near_arrival_is_believed():
    assert [(0, 0), (10, 0)] == settle([(0, 0.2, 1), (10, 10.2, 1)])


def test_repeat_with_the_same_time_and_value_is_marked_and_another_value_is_kept():
    assert [(0, 0), (0, rec.REPEAT), (0, 0)] == settle([(0, 0, 1), (0, 9, 1), (0, 0.5, 2)])


def test_refused_sample_that_comes_twice_is_a_repeat():
    nan = float("nan")
    assert [0, rec.REPEAT] == [mark for _, mark in settle([(0, 0, nan), (0, 9, nan)])]


def test_clock_ahead_gives_way_to_arrival():
    assert [(5, rec.CLOCK_WRONG)] == settle([(3600, 5, 1)])


def test_time_of_1970_gives_way_to_arrival():
    assert [(5, rec.CLOCK_WRONG)] == settle([(14 - T0_US / S, 5, 1)])


def test_clock_set_back_where_samples_are_already_gives_way_to_arrival():
    rows = [(0, 0, 1), (10, 10, 1), (-3580, 20, 2), (-3570, 30, 3)]
    assert [(20, rec.CLOCK_WRONG), (30, rec.CLOCK_WRONG)] == settle(rows)[2:]


def test_backlog_that_fills_a_hole_keeps_its_own_times():
    live = [(0, 0, 1), (600, 600, 1)]
    backlog = [(100 + i * 10, 601 + i * 0.01, 2) for i in range(5)]
    assert [(100 + i * 10, 0) for i in range(5)] == settle(live + backlog)[2:]


def test_backlog_after_the_newest_keeps_its_own_times():
    rows = [(0, 0, 1)] + [(10 * i, 600 + i * 0.1, 1) for i in range(1, 20)]
    assert all(mark == 0 for _, mark in settle(rows))


def test_lag_that_stays_the_same_is_a_slow_clock_and_noticed_within_seconds():
    got = settle([(i * 2 - 40, i * 2, 1) for i in range(6)])
    assert [0, 0, 0] == [mark for _, mark in got[:3]]
    assert [(6, rec.CLOCK_WRONG), (8, rec.CLOCK_WRONG), (10, rec.CLOCK_WRONG)] == got[3:]


def test_plain_run_and_one_by_one_leave_the_same_state():
    own = np.arange(20, dtype=np.int64) * S + T0_US
    fast, slow = SourceClock(), SourceClock()
    assert fast.plain(own, own + 100, np.ones(20))
    for at in own.tolist():
        slow.settle(at, at + 100, 1.0, 0)
    assert str(fast.state()) == str(slow.state())


def test_device_clock_case_tells_each_change_once_and_keeps_every_value(tmp_path):
    """T01: 1970, set, an hour back, an hour forward, right again."""
    result = runner.run("T01-clock-unset-and-jumps", tmp_path)
    rows = [
        (at, v)
        for judged in result.by_line
        for j in judged
        for at, v in zip(j.at_us.tolist(), j.samples.value.tolist(), strict=True)
    ]
    start = rows[0][0]
    assert [round(24 + 0.1 * i, 1) for i in range(60)] == [v for _, v in rows]
    assert all(abs((at - start) / S - 10 * i) < 5 for i, (at, _) in enumerate(rows))
    texts = [e.text for e in result.entries("clock")]
    assert 4 == len(texts), texts
    assert "1 h behind" in texts[1].replace("60 min", "1 h")
    assert "right again" in texts[3]
    assert [] == result.entries("gap")


def test_retained_values_of_days_ago_are_no_reading_of_now(tmp_path):
    """P09: 71.0 without a time must not count; the repeat after the reconnect adds nothing."""
    result = runner.run("P09-retained-stale", tmp_path)
    by_line = [j.samples for judged in result.by_line for j in judged]
    assert (rec.SUSPECT, rec.RETAINED) == (by_line[0].quality[0], by_line[0].mark[0])
    old = next(s for s in by_line if s.value[0] == 12.0)
    assert old.mark[0] & rec.LATE
    assert [0, rec.REPEAT] == [int(s.mark[0]) & rec.REPEAT for s in by_line if s.value[0] == 80.0]


def taken(signals, rows):
    mill = Machine("mill-1", "Mill", tuple(signals))
    intake = Intake(Settings("Pier", shop().calendar, (mill,)))
    run = samples([(s, T0_US + t * S, NO_TIME, v, 0, 0, 0) for s, t, v in rows])
    return intake.take(run)


ROOM = signal(0, "mill-1", "room", "room_temperature", step_max=20.0)


@pytest.mark.parametrize(
    ("value", "quality", "why"),
    [
        (24.1, rec.GOOD, ""),
        (85.0, rec.SUSPECT, "power-on value"),
        (-127.0, rec.BAD, "faulty"),
        (-0.0625, rec.SUSPECT, "faulty"),
        (6553.5, rec.BAD, "range"),
        (-20.0, rec.GOOD, ""),
        (-20.1, rec.BAD, "range"),
    ],
)
def test_fault_codes_and_range_of_a_temperature(value, quality, why):
    got = taken([ROOM], [(0, 0, value)])
    assert quality == got.quality[0]
    assert why in rec.REASONS[got.reason[0]]
    assert bool(why) == bool(got.entries)


@pytest.mark.parametrize(
    ("current", "quality", "mark"),
    [
        (12.0, rec.GOOD, 0),
        (3.95, rec.GOOD, rec.RANGE_END),
        (3.7, rec.SUSPECT, 0),
        (3.5, rec.BAD, 0),
        (0.0, rec.BAD, 0),
        (20.3, rec.GOOD, rec.RANGE_END),
        (20.7, rec.SUSPECT, 0),
        (21.4, rec.BAD, 0),
    ],
)
def test_loop_current_follows_its_fault_limits(current, quality, mark):
    loop = signal(0, "mill-1", "loop", "air_pressure", unit="mA", range=(3.8, 20.5))
    got = taken([loop], [(0, 0, current)])
    assert (quality, mark) == (got.quality[0], got.mark[0])


def test_jump_is_doubted_once_and_believed_when_the_next_value_confirms_it():
    bearing = signal(0, "mill-1", "bearing", "bearing_temperature")
    got = taken([bearing], [(0, 0, 40), (0, 10, 60), (0, 20, 40.5), (0, 30, 60), (0, 40, 60.5)])
    assert [rec.GOOD, rec.SUSPECT, rec.GOOD, rec.SUSPECT, rec.GOOD] == got.quality.tolist()


def test_any_step_is_possible_after_a_long_silence():
    bearing = signal(0, "mill-1", "bearing", "bearing_temperature")
    assert [0, 0] == taken([bearing], [(0, 0, 40), (0, 400, 20)]).quality.tolist()


def test_same_trouble_of_one_signal_is_told_once_a_day():
    rows = [(0, t, 6553.5) for t in range(0, 86400, 600)] + [(0, 90000, 6553.5)]
    assert 2 == len(taken([ROOM], rows).entries)
