"""Counters: roll-over, restart, glitch, unknown span; figures of case P17."""

import numpy as np
import pytest

from condmon.engine.counters import Counter


def steps(width, values, doubt_before=None):
    counter, out, kinds = Counter(width), [], []
    for i, value in enumerate(values):
        if i == doubt_before:
            counter.doubtful = True
        got, events = counter.push(np.array([0]), np.array([float(value)]))
        out += got.tolist()
        kinds += [e.kind for e in events]
    return out, kinds


def test_16_bit_counter_that_rolls_over_goes_on_by_five():
    assert ([0, 2, 3, 5, 2], []) == steps(16, [65530, 65532, 65535, 4, 6])


def test_32_bit_milliseconds_that_roll_over_go_on_by_ten_seconds():
    assert ([0, 10_000, 10_000], []) == steps(32, [4294960000, 2704, 12704])


def test_fall_from_a_low_count_is_a_restart_and_not_sixty_thousand_litres():
    assert ([0, 6, 0, 3, 5], ["restarted"]) == steps(16, [1234, 1240, 0, 3, 8])


def test_one_step_back_is_a_glitch_and_the_total_goes_on_from_before_it():
    assert ([0, 0, 1], ["glitch"]) == steps(16, [9, 8, 10])


def test_step_after_a_device_restarted_cannot_be_told():
    assert ([0, 0, 3], ["unknown span"]) == steps(16, [10, 50, 53], doubt_before=1)


def test_counter_without_a_width_never_rolls_over():
    assert ([0, 0], ["restarted"]) == steps(None, [65535, 4])


@pytest.mark.parametrize("cut", [1, 2, 3, 11])
def test_steps_are_the_same_however_the_values_are_cut(cut):
    values = np.array([1, 5, 4, 9, 0, 3, 250, 2, 9, 9, 12], float)
    rows = np.arange(len(values))
    expected, _ = Counter(8).push(rows, values)
    counter, got = Counter(8), []
    for i in range(0, len(values), cut):
        got += counter.push(rows[i : i + cut], values[i : i + cut])[0].tolist()
        again = Counter(8)
        again.load(counter.state())
        counter = again
    assert expected.tolist() == got
