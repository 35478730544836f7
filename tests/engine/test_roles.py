"""The roles: complete, consistent, and true to the figures of the recorded cases."""

import pytest

from condmon.engine.roles import ROLES, Role
from condmon.engine.units import UNITS

# the fixed list of the design
NAMES = """
power cycle_running spindle_speed spindle_load bearing_temperature coolant_supply_temperature
coolant_setpoint room_temperature compressor_running air_pressure air_flow air_valve oil_pulses
hydraulic_pressure way_oil_level coolant_level pump_running door_closed door_latched
door_latch_time tool_clamped axis_position axis_load axis_following_error axis_trace
vibration_velocity probe_offset energy
"""

EACH = pytest.mark.parametrize("role", ROLES.values(), ids=ROLES)


def test_the_roles_are_those_of_the_fixed_list():
    assert NAMES.split() == list(ROLES)


@EACH
def test_a_role_has_a_known_unit_a_meaning_and_a_reason(role: Role):
    assert role.unit in UNITS
    assert role.meaning
    assert role.reason


@EACH
def test_figures_and_words_go_with_the_kind(role: Role):
    if role.kind == "state":
        assert role.words_on
        assert role.words_off
        assert not set(role.words_on) & set(role.words_off)
        assert all(word == word.casefold().strip() for word in role.words_on + role.words_off)
        assert (None, None, None) == (role.range, role.step_max, role.stale_after_s)
    else:
        assert ((), (), 0.0) == (role.words_on, role.words_off, role.debounce_s)
    if role.range:
        assert role.range[0] < role.range[1]
    if role.kind in {"counter", "calibration", "trace"}:
        assert role.stale_after_s is None


def test_only_measures_go_stale():
    slow = {"coolant_setpoint", "room_temperature"}
    now_and_then = {"door_latch_time"}  # one value a closing: silence is no fault
    for name, role in ROLES.items():
        wanted = 3600 if name in slow else 600
        if role.kind != "measure" or name in now_and_then:
            wanted = None
        assert wanted == role.stale_after_s, name


def test_what_has_mass_cannot_jump_8_kelvin_and_a_set_point_can():
    jumps = {name: role.step_max for name, role in ROLES.items() if role.step_max is not None}
    assert jumps == dict.fromkeys(
        ("bearing_temperature", "coolant_supply_temperature", "room_temperature"), 8.0
    )


def test_the_same_word_means_the_opposite_of_a_valve_and_of_a_door():
    assert "closed" in ROLES["air_valve"].words_off
    assert "closed" in ROLES["door_closed"].words_on


def test_words_that_are_unclear_are_in_no_list():
    every = {word for role in ROLES.values() for word in role.words_on + role.words_off}
    assert not every & {"feed_hold", "maybe", "unavailable", "unknown", "", "2"}
    door = ROLES["door_closed"]
    assert not {"on", "off"} & {*door.words_on, *door.words_off}


def test_a_latch_and_a_door_wait_for_the_bounce_of_their_switch():
    waits = {name: role.debounce_s for name, role in ROLES.items() if role.debounce_s}
    assert {"door_closed": 0.2, "door_latched": 0.2} == waits
