"""Frames: what models see of a minute; the same bits however a stream is cut."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from condmon.engine.frames import Frames, features
from condmon.engine.minutely import Gather
from condmon.engine.settings import Machine
from tests.engine.builders import signal

PARTS = (
    ("power", "power"),
    ("speed", "spindle_speed"),
    ("load", "spindle_load"),
    ("upper", "bearing_temperature"),
    ("lower", "bearing_temperature"),
    ("supply", "coolant_supply_temperature"),
    ("setpoint", "coolant_setpoint"),
    ("compressor", "compressor_running"),
    ("pressure", "air_pressure"),
    ("flow", "air_flow"),
    ("x", "axis_position"),
    ("closed", "door_closed"),
)
MILL = Machine("mill-1", "Mill", tuple(signal(i, "mill-1", *p) for i, p in enumerate(PARTS)))
NAMES = [f.name for f in features(MILL)]


def ticks(n, **given_values):
    """Held values (n, k): 0 where nothing is given."""
    value = np.zeros((n, len(PARTS)))
    for name, column in given_values.items():
        value[:, [p[0] for p in PARTS].index(name)] = column
    return value


def frames(value, first=0, made=None, gather=None, duty=1):
    gather = gather or Gather(len(PARTS))
    column = np.broadcast_to(np.asarray(duty, np.int64), len(value)).copy()
    minutes = gather.push(first, value, np.zeros(value.shape), column, blind=False)
    return (made or Frames(MILL)).push(minutes)


def figure(rows, name):
    return rows[:, NAMES.index(name)].tolist()


def test_mean_swing_and_step_of_a_minute():
    made = frames(ticks(180, upper=np.concatenate([np.full(60, 20.0), np.arange(120) / 10 + 20])))
    assert pytest.approx([20.0, 22.95, 28.95]) == figure(made, "upper.mean")
    assert pytest.approx([0.0, 5.9, 5.9]) == figure(made, "upper.swing")
    assert pytest.approx([np.nan, 5.9, 6.0], nan_ok=True) == figure(made, "upper.step")


def test_what_belongs_together_is_one_figure():
    made = frames(ticks(60, upper=45.0, lower=41.0, supply=22.0, speed=8000.0, load=24.0,
                        pressure=6.0, flow=30.0))  # fmt: skip
    assert [23.0] == figure(made, "upper-supply")
    assert [19.0] == figure(made, "lower-supply")
    assert [4.0] == figure(made, "upper-lower")
    assert pytest.approx([3.0]) == figure(made, "load/speed")
    assert pytest.approx([5.0]) == figure(made, "flow/pressure")


def test_a_ratio_over_a_standing_spindle_is_unknown():
    assert pytest.approx([np.nan], nan_ok=True) == figure(
        frames(ticks(60, load=24.0)), "load/speed"
    )


def test_share_of_time_a_compressor_ran():
    made = frames(ticks(60, compressor=np.arange(60) < 15))
    assert [0.25] == figure(made, "compressor.share")


def test_what_a_person_or_a_program_decides_is_left_out():
    assert not [n for n in NAMES if n.split(".")[0] in {"x", "closed", "setpoint", "power"}]


def test_a_machine_that_measures_nothing_has_no_frames():
    states = Machine("m", "M", tuple(s for s in MILL.signals if s.kind == "state"))
    assert () == features(states)


def test_an_unknown_minute_is_unknown_and_no_step_is_made_over_it():
    value = ticks(180, upper=30.0)
    value[60:120] = np.nan
    made = frames(value)
    assert pytest.approx([30.0, np.nan, 30.0], nan_ok=True) == figure(made, "upper.mean")
    assert np.isnan(figure(made, "upper.step")).all()


def test_heat_of_speeds_lags_by_a_time_constant_and_is_unknown_after_a_hole():
    gather, made = Gather(len(PARTS)), Frames(MILL)
    heat = figure(frames(ticks(60 * 120, speed=9000.0), 0, made, gather), "speed.heat")
    assert np.isnan(heat[:39]).all()
    full = 9**1.5
    assert pytest.approx(full * (1 - np.exp(-60 / 20))) == heat[59]
    gather.push(0, ticks(1), np.zeros((1, len(PARTS))), np.ones(1, np.int64), blind=True)
    later = figure(frames(ticks(60 * 60, speed=9000.0), 60 * 500, made, None), "speed.heat")
    assert np.isnan(later[:39]).all()
    assert not np.isnan(later[40:]).any()


def test_a_change_of_duty_is_no_step():
    made = frames(ticks(240, upper=np.arange(240) / 10), duty=np.arange(240) // 120)
    assert pytest.approx([np.nan, 6.0, np.nan, 6.0], nan_ok=True) == figure(made, "upper.step")


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32), st.lists(st.integers(0, 400), max_size=12))
def test_frames_have_the_same_bits_however_ticks_are_cut_and_restored(seed, cuts):
    rng = np.random.default_rng(seed)
    value = rng.normal(20, 8, (400, len(PARTS)))
    value[rng.random(value.shape) < 0.2] = np.nan
    first = int(rng.integers(60))
    whole = frames(value, first)
    made, gather, out, start = Frames(MILL), Gather(len(PARTS)), [], 0
    for stop in [*sorted(cuts), 400]:
        if stop > start:
            out.append(frames(value[start:stop], first + start, made, gather))
            start = stop
        saved = made.state()
        made = Frames(MILL)
        made.load(saved)
    assert np.array_equal(whole, np.concatenate(out), equal_nan=True)
