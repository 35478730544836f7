"""Rolling bearings: friction heat, rating life and its mixed use, speed factor, fault lines. Pure.

Units: loads N, speeds 1/min, diameters mm, viscosity mm2/s, torque N mm, power W. Rating life is a
90 % survival figure of a population under clean lubrication. It forecasts nothing for one spindle:
precision spindles usually end by lost preload, dirt, lubrication or a crash (common practice).
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

BALL, ROLLER = 3.0, 10.0 / 3.0
"""Life exponents of ISO 281 (second hand)."""
A1_TABLE = {
    90.0: 1.0, 95.0: 0.64, 96.0: 0.55, 97.0: 0.47, 98.0: 0.37, 99.0: 0.25, 99.2: 0.22,
    99.4: 0.19, 99.6: 0.16, 99.8: 0.12, 99.9: 0.093, 99.92: 0.087, 99.94: 0.080, 99.95: 0.077,
}  # fmt: skip
"""Reliability factor by reliability in per cent, ISO 281:2007 (second hand)."""
W_PER_NMM_RPM = math.pi / 30_000.0


def friction_torque_nmm(f0: float, viscosity_mm2_s: float, speed_rpm: float, dm_mm: float) -> float:
    """Torque without load, after Palmgren. `f0` is to be fitted: books differ by a factor of 3.

    Source: quoted in Vehicle System Dynamics 58(10) 2019 (second hand). Above nu n = 2000 torque
    grows with speed^(2/3) and heat with speed^(5/3), as long as the viscosity stays.
    """
    product = viscosity_mm2_s * abs(speed_rpm)
    share = product ** (2.0 / 3.0) if product >= 2000.0 else 160.0
    return float(f0 * 1e-7 * share * dm_mm**3)


def load_torque_nmm(coefficient: float, load_n: float, d_mm: float) -> float:
    """Torque of load, mu F d / 2 (from memory; mu about 0.0010 to 0.0020)."""
    return coefficient * load_n * d_mm / 2.0


def friction_heat_w(torque_nmm: float, speed_rpm: float) -> float:
    """Heat of a friction torque at a speed."""
    return torque_nmm * abs(speed_rpm) * W_PER_NMM_RPM


def heat_ratio(speed_ratio: float, exponent: float = 5.0 / 3.0) -> float:
    """How many times the heat at so many times the speed."""
    return math.pow(speed_ratio, exponent)


def equivalent_load_n(x: float, radial_n: float, y: float, axial_n: float, v: float = 1.0) -> float:
    """P = X V Fr + Y Fa."""
    return x * v * radial_n + y * axial_n


def rating_life_mrev(capacity_n: float, load_n: float, exponent: float = BALL) -> float:
    """L10 in million revolutions, ISO 281 (second hand). Raises ValueError for no load."""
    if load_n <= 0.0:
        raise ValueError("without load there is no rating life")
    return math.pow(capacity_n / load_n, exponent)


def rating_life_h(
    capacity_n: float, load_n: float, speed_rpm: float, exponent: float = BALL
) -> float:
    """L10 in hours at one speed."""
    return rating_life_mrev(capacity_n, load_n, exponent) * 1e6 / (60.0 * speed_rpm)


def capacity_for_n(life_h: float, speed_rpm: float, load_n: float, exponent: float = BALL) -> float:
    """The capacity C that gives a life at a load and speed."""
    return float(load_n * (60.0 * speed_rpm * life_h / 1e6) ** (1.0 / exponent))


def a1(reliability_pct: float) -> float:
    """Reliability factor for 90 % and more, a three-parameter Weibull through the 2007 table.

    Within 0.005 of every entry of A1_TABLE (constants after ISO/TR 1281-2, from memory).
    """
    if not 90.0 <= reliability_pct < 100.0:
        raise ValueError("the factor is defined from 90 % to below 100 %")
    share = math.log(100.0 / reliability_pct) / math.log(100.0 / 90.0)
    return 0.95 * math.pow(share, 1.0 / 1.5) + 0.05


class Use(NamedTuple):
    """One kind of work: its share of the time, load and speed."""

    share: float
    load_n: float
    speed_rpm: float


class Mixed(NamedTuple):
    """What a mix of work amounts to."""

    speed_rpm: float
    load_n: float
    life_h: float


def mixed_use(capacity_n: float, uses: Sequence[Use], exponent: float = BALL) -> Mixed:
    """Mean speed, equivalent load and life of a mix; shares must add up to 1 (Miner's rule)."""
    total = math.fsum(use.share for use in uses)
    if abs(total - 1.0) > 1e-6:
        raise ValueError(f"the shares of time add up to {total:g}, not 1")
    speed = math.fsum(use.share * use.speed_rpm for use in uses)
    turned = math.fsum(use.share * use.speed_rpm * use.load_n**exponent for use in uses)
    load = (turned / speed) ** (1.0 / exponent)
    return Mixed(speed, load, rating_life_h(capacity_n, load, speed, exponent))


def relative_use(hours: Sequence[Use], reference: Use, exponent: float = BALL) -> list[float]:
    """What an hour of each kind of work uses up against an hour at `reference`.

    The capacity cancels, so loads may be relative too. `share` plays no part here. Meant for
    comparing weeks of work of one spindle, never as a remaining life.
    """
    base = reference.speed_rpm * reference.load_n**exponent
    return [use.speed_rpm * use.load_n**exponent / base for use in hours]


def ramp_load_n(low_n: float, high_n: float) -> float:
    """Equivalent of a load that rises in a straight line: (low + 2 high) / 3, on the safe side."""
    return (low_n + 2.0 * high_n) / 3.0


def speed_factor(bore_mm: float, outside_mm: float, speed_rpm: float) -> float:
    """The factor n dm in mm/min: mean diameter times speed (NSK's note, second hand)."""
    return (bore_mm + outside_mm) / 2.0 * speed_rpm


class FaultLines(NamedTuple):
    """Frequencies of a fault at each part, in turns of the shaft; outer ring fixed.

    `roller` is how often one spot of a ball meets one ring; tables that list "ball" often mean
    twice that, once for each ring.
    """

    outer: float
    inner: float
    cage: float
    roller: float

    def hz(self, speed_rpm: float) -> "FaultLines":
        """In hertz. A value a second can never show them: they need a vibration analyser."""
        turns = speed_rpm / 60.0
        return FaultLines(*(part * turns for part in self))


def fault_lines(balls: int, ball_d: float, pitch_d: float, angle_deg: float = 0.0) -> FaultLines:
    """Fault frequencies from the geometry (check values: CWRU bearing data, second hand)."""
    r = ball_d / pitch_d * math.cos(math.radians(angle_deg))
    return FaultLines(
        balls / 2.0 * (1.0 - r),
        balls / 2.0 * (1.0 + r),
        (1.0 - r) / 2.0,
        pitch_d / (2.0 * ball_d) * (1.0 - r * r),
    )
