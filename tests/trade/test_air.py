"""Compressed air against the orifice table and the bleed-down rule (second hand), ISO 6358."""

import pytest

from condmon.trade import air
from tests.trade.vectors import vector

PRINTED = {  # "Discharge of air through an orifice", second hand: psig -> scfm
    1 / 64: (0.300, 0.335, 0.370, 0.406, 0.494),
    1 / 16: (4.79, 5.36, 5.92, 6.49, 7.90),
    1 / 4: (76.7, 85.7, 94.8, 104, 126),
    3 / 8: (173, 193, 213, 234, 284),
}


def test_quarter_inch_hole_passes_the_printed_flow():
    v = vector("moss")
    flow = air.hole_flow_scfm(v.input["d_in"], v.input["psig"])
    assert v.expected["scfm"] == pytest.approx(flow, abs=v.tol)


def test_whole_table_is_reproduced():
    for hole, row in PRINTED.items():
        for psig, scfm in zip((70, 80, 90, 100, 125), row, strict=True):
            assert scfm == pytest.approx(air.hole_flow_scfm(hole, psig), rel=4e-3)


@pytest.mark.parametrize(
    ("mm", "bar", "full", "sharp"),
    [(0.5, 5, 14.07, 9.15), (1, 6, 65.65, 42.67), (2, 7, 300.02, 195.01), (3, 5, 506.57, 329.27)],
)
def test_metric_hole_has_the_constructed_flow(mm, bar, full, sharp):
    assert full == pytest.approx(air.hole_flow_l_min(mm, bar, 1.0), abs=0.006)
    assert sharp == pytest.approx(air.hole_flow_l_min(mm, bar), abs=0.006)
    assert mm == pytest.approx(air.hole_mm(air.hole_flow_l_min(mm, bar), bar))


def test_flow_that_is_not_choked_is_refused():
    assert 0.528282 == pytest.approx(air.CRITICAL_RATIO, abs=5e-7)
    with pytest.raises(ValueError, match="choked"):
        air.hole_flow_l_min(1.0, 0.5)


def test_iso_6358_has_the_computed_flows():
    v = vector("iso6358")  # equation second hand, values computed
    for p2, flow in zip(v.input["p2"], v.expected["q"], strict=True):
        got = air.valve_flow(v.input["C"], v.input["b"], v.input["p1"], p2)
        assert flow == pytest.approx(got, abs=v.tol)
    assert 6.772777 == pytest.approx(air.valve_flow(1, 0.3, 7, 1, 313.15), abs=5e-7)


def test_bleed_down_in_us_units():
    v = vector("bleed")  # industry rule, second hand; exact value computed
    atm = air.ATMOSPHERE_PSI
    leak = air.leak_by_fall(
        v.input["V_ft3"],
        v.input["P1"] + atm,
        v.input["P2"] + atm,
        v.input["T_min"],
        atmosphere=atm,
    )
    assert v.expected["simple"] == pytest.approx(leak.mean, rel=v.tol)
    assert v.expected["with_1_25"] == pytest.approx(leak.mean * air.tabled_factor(50), rel=v.tol)
    assert v.expected["exact_at_P1"] == pytest.approx(leak.at_start, rel=v.tol)
    assert 25.2004 == pytest.approx(leak.at_end, abs=5e-5)


def test_tabled_factors_lie_near_the_exact_ratios():
    assert [1.0, 1.0, 1.12, 1.25, 1.25] == [air.tabled_factor(p) for p in (5, 10, 20, 50, 70)]
    assert 1.06 == pytest.approx(air.tabled_factor(15))


def test_bleed_down_in_metric_units():
    v = vector("bleed_si")  # constructed
    leak = air.leak_by_fall(
        v.input["V_L"],
        v.input["P1_bar_g"] + air.ATMOSPHERE_BAR,
        v.input["P2"] + air.ATMOSPHERE_BAR,
        v.input["t_s"] / 60,
    )
    assert v.expected["mean_Lmin"] == pytest.approx(leak.mean, rel=v.tol)
    assert v.expected["at_P1"] == pytest.approx(leak.at_start, rel=v.tol)
    assert v.expected["tau_min"] == pytest.approx(leak.time_constant, rel=v.tol)


def test_pressure_that_does_not_fall_is_no_leak():
    with pytest.raises(ValueError, match="fall"):
        air.leak_by_fall(500, 7.0, 7.0, 300)


def test_night_cooling_is_no_leak():
    assert 0.137 == pytest.approx(air.cooling_fall_bar(8.01325, 5.0), abs=5e-4)


def test_load_share_of_the_published_cycles():
    assert 0.125 == air.load_share(1.5, 10.5)  # second hand
    assert 1 / 6 == pytest.approx(air.load_share(30, 150))
    with pytest.raises(ValueError, match="positive"):
        air.load_share(0, 0)


def test_year_of_a_small_hole_and_of_a_purge_left_on():
    leak = air.cost(air.hole_flow_l_min(1.0, 6.0), price_per_kwh=0.25)  # constructed
    assert (22427, 2691) == (round(leak.volume_m3), round(leak.energy_kwh))
    assert 672.8 == pytest.approx(leak.money, abs=0.05)
    purge = air.cost(30.0)
    assert (15768, 1892) == (round(purge.volume_m3), round(purge.energy_kwh))


def test_least_energy_of_compression():
    assert 0.0577623 == pytest.approx(air.isothermal_kwh_per_m3(1, 8), abs=5e-8)
    assert 0.0788907 == pytest.approx(air.adiabatic_kwh_per_m3(1, 8), abs=5e-8)
