"""Bearings against ISO 281 (second hand), worked examples (second hand), Palmgren (constructed)."""

import math

import pytest

from condmon.trade import bearings
from condmon.trade.bearings import ROLLER, Use
from tests.trade.vectors import vector


@pytest.mark.parametrize("name", [f"palmgren{i}" for i in range(6)])
def test_friction_torque_and_heat_after_palmgren(name):
    v = vector(name)  # formula second hand, values constructed
    m0 = bearings.friction_torque_nmm(v.input["f0"], v.input["nu"], v.input["n"], v.input["dm"])
    assert v.expected["M0_Nmm"] == pytest.approx(m0, rel=v.tol)
    assert v.expected["W"] == pytest.approx(bearings.friction_heat_w(m0, v.input["n"]), rel=1e-8)


def test_double_speed_gives_3_17_times_the_heat():
    def heat(n: float) -> float:
        return bearings.friction_heat_w(bearings.friction_torque_nmm(2, 20, n, 60), n)

    assert 3.174802 == pytest.approx(heat(12_000) / heat(6_000), abs=5e-7)
    assert 3.174802 == pytest.approx(bearings.heat_ratio(2.0), abs=5e-7)
    assert 1.965556 == pytest.approx(bearings.heat_ratio(1.5), abs=5e-7)


def test_load_torque_has_the_constructed_value():
    torque = bearings.load_torque_nmm(0.0013, 500.0, 100.0)
    assert 32.5 == pytest.approx(torque)
    assert 20.42 == pytest.approx(bearings.friction_heat_w(torque, 6000), abs=5e-3)


def test_rating_life_of_the_worked_example():
    v = vector("l10_jindal")  # U.C. Jindal, Machine Design, ex 18-2, second hand
    for load, life in zip(v.input["P"], v.expected["L10"], strict=True):
        assert life == pytest.approx(bearings.rating_life_mrev(v.input["C"], load), rel=v.tol)
    assert [1450, 1590] == pytest.approx(
        [bearings.equivalent_load_n(0.56, 1250, 1.2, 625, v=v_) for v_ in (1.0, 1.2)]
    )


def test_capacity_of_the_worked_example():
    # Shigley ex 11-1, second hand: 5000 h at 1725 /min and 2 kN want about 16.1 kN
    assert 16.0571 == pytest.approx(bearings.capacity_for_n(5000, 1725, 2.0), abs=5e-5)


def test_double_load_leaves_an_eighth_of_the_life():
    assert 0.125 == bearings.rating_life_mrev(1, 2)
    assert 0.0992126 == pytest.approx(bearings.rating_life_mrev(1, 2, ROLLER), abs=5e-8)
    assert 11111.11 == pytest.approx(bearings.rating_life_h(14.0, 1.4, 1500), abs=5e-3)
    assert 23938.16 == pytest.approx(bearings.rating_life_h(14.0, 1.4, 1500, ROLLER), abs=5e-3)


def test_reliability_factor_is_that_of_2007():
    v = vector("a1")  # ISO 281:2007, second hand
    for reliability, factor in v.expected.items():
        assert factor == pytest.approx(bearings.a1(float(reliability)), abs=v.tol)
        assert factor == bearings.A1_TABLE[float(reliability)]
    assert bearings.a1(99) > 0.24  # the table of 1990 had 0.21


def test_mixed_use_agrees_with_miners_sum():
    v = vector("miner")  # constructed
    uses = [Use(*seg) for seg in v.input["seg"]]
    mixed = bearings.mixed_use(v.input["C"], uses)
    assert v.expected["nm"] == pytest.approx(mixed.speed_rpm, rel=v.tol)
    assert v.expected["Pm"] == pytest.approx(mixed.load_n, rel=v.tol)
    assert v.expected["L10h"] == pytest.approx(mixed.life_h, rel=v.tol)
    parts = [u.share / bearings.rating_life_h(v.input["C"], u.load_n, u.speed_rpm) for u in uses]
    assert 1 / mixed.life_h == pytest.approx(math.fsum(parts), rel=1e-12)


def test_relative_use_needs_no_capacity():
    slow, fast = Use(0.5, 1.0, 6_000), Use(0.5, 2.0, 12_000)
    assert [1.0, 16.0] == bearings.relative_use([slow, fast], slow)


def test_ramp_rule_is_on_the_safe_side():
    assert 3.0 == bearings.ramp_load_n(1, 4)
    exact = ((4**4 - 1) / (4 * 3)) ** (1 / 3)  # mean of the cube over a straight rise
    assert 2.769829 == pytest.approx(exact, abs=5e-7)


def test_speed_factor_of_the_published_example():
    assert 875_000 == bearings.speed_factor(100, 150, 7000)  # NSK's note, second hand


def test_fault_lines_of_the_published_bearing():
    v = vector("cwru6205")  # CWRU bearing data center, second hand
    lines = bearings.fault_lines(v.input["N"], v.input["d"], v.input["D"], v.input["angle"])
    for name, part in zip(("BPFO", "BPFI", "FTF", "BSF"), lines, strict=True):
        assert v.expected[name] == pytest.approx(part, rel=1e-9)
    assert v.expected["hz"] == pytest.approx(list(lines.hz(v.input["rpm"])), abs=v.tol)
    assert v.input["N"] == pytest.approx(lines.outer + lines.inner)
    assert 4.7135 == pytest.approx(2 * lines.roller, abs=1e-4)  # published as "rolling element"


def test_what_makes_no_sense_is_refused():
    with pytest.raises(ValueError, match="without load"):
        bearings.rating_life_mrev(1, 0)
    with pytest.raises(ValueError, match="90 %"):
        bearings.a1(89)
    with pytest.raises(ValueError, match="add up"):
        bearings.mixed_use(20, [Use(0.5, 1, 1000)])
