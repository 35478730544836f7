"""Compressed air: what a hole passes, what a leak takes, what it costs. Pure.

Pressures in bar; `_g` gauge, `_abs` absolute. Volumes of free air: at 1 bar(a) and 20 Cel unless a
function says otherwise. US units only where the published table is in them.
"""

import math
from itertools import pairwise
from typing import NamedTuple

ATMOSPHERE_BAR = 1.01325
L_MIN_PER_CFM = 28.316846592
BAR_PER_PSI = 0.0689475729
ATMOSPHERE_PSI = 14.7
GAS_J_KG_K = 287.05
KAPPA = 1.4
T0_K = 293.15
HOURS_A_YEAR = 8760.0
KWH_PER_M3 = 0.12
"""Energy per cubic metre of free air at 7 bar(g), of real plants 0.10 to 0.13 (from memory)."""
CRITICAL_RATIO = (2.0 / (KAPPA + 1.0)) ** (KAPPA / (KAPPA - 1.0))
"""Below this ratio of absolute pressures the flow no longer depends on the lower one: 0.5283."""


def hole_flow_scfm(hole_in: float, pressure_psig: float, coefficient: float = 1.0) -> float:
    """Free air through a hole in scfm: W = 0.5303 A C P / sqrt(T), T 530 R, 0.07494 lb/ft3.

    Only above twice the barometric pressure. Coefficient 0.97 rounded, 0.65 sharp edge.
    Source: "Discharge of air through an orifice" (second hand).
    """
    area = math.pi / 4.0 * hole_in * hole_in
    pounds_s = 0.5303 * area * coefficient * (pressure_psig + ATMOSPHERE_PSI) / math.sqrt(530.0)
    return pounds_s / 0.07494 * 60.0


def hole_flow_l_min(hole_mm: float, pressure_bar_g: float, coefficient: float = 0.65) -> float:
    """Free air (1 bar, 20 Cel, dry) through a hole into the open, choked flow of an ideal gas.

    Raises ValueError below the pressure at which the flow is choked.
    """
    p_abs = pressure_bar_g + ATMOSPHERE_BAR
    if ATMOSPHERE_BAR / p_abs > CRITICAL_RATIO:
        raise ValueError("below about 0.9 bar(g) the flow is not choked and this does not hold")
    area_m2 = math.pi / 4.0 * (hole_mm / 1000.0) ** 2
    shape = math.pow(2.0 / (KAPPA + 1.0), (KAPPA + 1.0) / (2.0 * (KAPPA - 1.0)))
    kg_s = coefficient * area_m2 * p_abs * 1e5 * math.sqrt(KAPPA / (GAS_J_KG_K * T0_K)) * shape
    return kg_s / (1e5 / (GAS_J_KG_K * T0_K)) * 60_000.0


def hole_mm(flow_l_min: float, pressure_bar_g: float, coefficient: float = 0.65) -> float:
    """The hole that passes a flow: what a leak amounts to."""
    return math.sqrt(flow_l_min / hole_flow_l_min(1.0, pressure_bar_g, coefficient))


def valve_flow(
    conductance: float, critical: float, p1_abs: float, p2_abs: float, t1_k: float = T0_K
) -> float:
    """Flow through a component, ISO 6358 (second hand): in the unit of `conductance` times bar.

    `critical` is the ratio p2/p1 (both absolute) below which the flow is choked.
    """
    if p1_abs <= 0.0 or p2_abs >= p1_abs:
        return 0.0
    full = conductance * p1_abs * math.sqrt(T0_K / t1_k)
    ratio = p2_abs / p1_abs
    if ratio <= critical:
        return full
    return full * math.sqrt(1.0 - ((ratio - critical) / (1.0 - critical)) ** 2)


class Leak(NamedTuple):
    """A leak as a fall of pressure shows it; flows in the volume unit a time unit put in."""

    mean: float  # volume of free air lost over the time
    at_start: float  # exact, for a leak whose flow goes with the absolute pressure
    at_end: float
    time_constant: float


def leak_by_fall(
    volume: float, p1_abs: float, p2_abs: float, time: float, *, atmosphere: float = ATMOSPHERE_BAR
) -> Leak:
    """Leak of a vessel or net that nobody feeds, from a fall of pressure at constant temperature.

    Volume and flows may be in any unit, pressures in that of `atmosphere`. One kelvin of cooling
    lowers 8 bar(a) by 0.027 bar: at night subtract it, or a cooling tank looks like a leak.
    Raises ValueError where the pressure does not fall.
    """
    if not 0.0 < p2_abs < p1_abs or time <= 0.0:
        raise ValueError("the pressure has to fall over some time")
    rate = math.log(p1_abs / p2_abs) / time
    return Leak(
        volume * (p1_abs - p2_abs) / (time * atmosphere),
        volume * p1_abs / atmosphere * rate,
        volume * p2_abs / atmosphere * rate,
        1.0 / rate,
    )


def tabled_factor(fall_psi: float) -> float:
    """What the trade multiplies the mean by, to get the leak at the starting pressure.

    1.0 up to 10 psi, 1.12 at 20, 1.25 at 50, straight in between and flat beyond (second hand;
    the exact ratios from 100 psi are 1.046, 1.099, 1.313: `leak_by_fall` needs no factor).
    """
    points = ((10.0, 1.0), (20.0, 1.12), (50.0, 1.25))
    if fall_psi <= points[0][0]:
        return points[0][1]
    for (x0, y0), (x1, y1) in pairwise(points):
        if fall_psi <= x1:
            return y0 + (y1 - y0) * (fall_psi - x0) / (x1 - x0)
    return points[-1][1]


def cooling_fall_bar(p_abs: float, cooling_k: float, t_k: float = T0_K) -> float:
    """How far a closed volume's pressure falls by cooling alone."""
    return p_abs * cooling_k / t_k


def load_share(loaded_s: float, unloaded_s: float) -> float:
    """Share of its time that a compressor works; at night that is what leaks (second hand).

    Holds only where a stopped compressor counts as unloaded.
    """
    if loaded_s < 0.0 or unloaded_s < 0.0 or loaded_s + unloaded_s <= 0.0:
        raise ValueError("the times have to be positive")
    return loaded_s / (loaded_s + unloaded_s)


class Cost(NamedTuple):
    """What a flow amounts to over some hours."""

    volume_m3: float
    energy_kwh: float
    money: float


def cost(
    flow_l_min: float,
    hours: float = HOURS_A_YEAR,
    kwh_per_m3: float = KWH_PER_M3,
    price_per_kwh: float = 0.0,
) -> Cost:
    """Volume, energy and money of a flow of free air."""
    volume = flow_l_min * 60.0 * hours / 1000.0
    energy = volume * kwh_per_m3
    return Cost(volume, energy, energy * price_per_kwh)


def isothermal_kwh_per_m3(p1_abs: float, p2_abs: float) -> float:
    """The least energy a cubic metre of air at p1 takes to p2: p1 ln(p2/p1)."""
    return p1_abs * 1e5 * math.log(p2_abs / p1_abs) / 3.6e6


def adiabatic_kwh_per_m3(p1_abs: float, p2_abs: float) -> float:
    """The same without any heat leaving: what real machines lie above."""
    power = (KAPPA - 1.0) / KAPPA
    return p1_abs * 1e5 / power * (math.pow(p2_abs / p1_abs, power) - 1.0) / 3.6e6
