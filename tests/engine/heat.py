"""A spindle's heat, simulated: schedules of shops, noise, gaps, a room with days and seasons."""

from dataclasses import dataclass

import numpy as np

from condmon.engine.thermal_lags import EXPONENTS, SPEED_UNIT, History

STEP_S = 10
DAY_STEPS = 86400 // STEP_S
T0_MINUTE = 1_790_000_000 // 60 // 1440 * 1440


@dataclass(frozen=True)
class Spindle:
    """What is true in the simulation."""

    gain_k: float = 19.0  # settled at 18,000 /min
    exponent: float = 5 / 3
    tau_s: float = 1200.0
    tau_off_s: float = 2400.0
    supply_share: float = 0.8
    offset_k: float = 0.0
    noise_k: float = 0.2
    slow_share: float = 0.0
    slow_tau_s: float = 7200.0


TOP = 18_000.0


def speeds(day: int, rng: np.random.Generator, *, night: bool = False) -> np.ndarray:
    """Speed at each step of a day: warm-up by steps, parts with tool changes, a break, evening."""
    out = np.full(DAY_STEPS, np.nan)  # NaN: power off
    if day % 7 >= 5:
        return out
    at = int(6.5 * 360) + int(rng.integers(0, 60))
    stop = DAY_STEPS if night else 18 * 360
    out[at:stop] = 0.0
    for share in (0.25, 0.5, 0.75):
        out[at + 60 : at + 100] = share * TOP
        at += 40
    at += 60 + int(rng.integers(60, 200))
    while at < stop - 120:
        part = [
            (int(rng.integers(6, 90)), float(rng.uniform(0.2, 1.0)))
            for _ in range(int(rng.integers(3, 8)))
        ]
        for _ in range(int(rng.integers(2, 6))):  # several of the same part
            for length, share in part:
                out[at : min(at + length, stop)] = share * TOP
                out[at + length : min(at + length + 2, stop)] = 0.0  # tool change
                at += length + 2
            out[at : min(at + 12, stop)] = 0.0
            at += 12
        at += int(rng.integers(20, 150))
        if 12 * 360 < at < 12 * 360 + 200:
            at += 180
    return out


def history(
    days: int,
    seed: int,
    spindle: Spindle = Spindle(),
    *,
    growth=lambda day: 0.0,
    rooms=(20.0, 3.0, 8.0),
    supply: bool = True,
    room: bool = True,
    seen_off: bool = False,
    gaps: int = 2,
    plan=speeds,
) -> History:
    """Minutes as the engine would make them.

    Parameters
    ----------
    growth : day -> share
        By how much the gain has grown on a day.
    rooms : (mean, daily swing, seasonal swing over 60 days), Cel and K
    seen_off : bool
        The bearing's sensor is powered when the machine is off.
    """
    rng = np.random.default_rng(seed)
    speed = np.concatenate([plan(day, rng) for day in range(days)])
    n = len(speed)
    t = np.arange(n) * STEP_S
    mean, daily, seasonal = rooms
    room_c = (
        mean
        + seasonal * np.sin(2 * np.pi * t / (120 * 86400))
        + daily * np.sin(2 * np.pi * (t / 86400 - 0.3))
    )
    off = np.isnan(speed)
    supply_c = np.where(off, room_c, 22.0 + 0.4 * np.sign(np.sin(t / 300.0)))
    temp = _temperature(spindle, speed, room_c, supply_c, growth)
    measured = np.round(temp + rng.normal(0, spindle.noise_k, n), 1)
    measured[off & (not seen_off)] = np.nan
    for _ in range(gaps):
        at, length = int(rng.integers(n)), int(rng.integers(1, 540))
        measured[at : at + length] = np.nan
        if rng.random() < 0.5:
            speed = speed.copy()
            speed[at : at + length] = np.where(off[at : at + length], np.nan, -1.0)
    turns = np.where(off, 0.0, speed)
    turns = np.where(turns < 0, np.nan, turns)
    heats = np.stack([(turns / SPEED_UNIT) ** b for b in EXPONENTS], axis=1)
    minutes = np.stack([measured, np.round(room_c, 1), np.round(supply_c, 1), turns, off], axis=1)
    whole = np.concatenate([minutes, heats], axis=1).reshape(n // 6, 6, 8)
    m = whole.mean(axis=1)
    nothing = np.full(len(m), np.nan)
    return History(
        T0_MINUTE + np.arange(len(m)),
        m[:, 0],
        m[:, 1] if room else nothing,
        m[:, 2] if supply else nothing,
        m[:, 3],
        m[:, 4],
        m[:, 5:],
    )


def _temperature(spindle, speed, room_c, supply_c, growth):
    s, out = spindle, np.empty(len(speed))
    fast, slow = float(room_c[0]), 0.0
    left = np.exp(-STEP_S / s.tau_s), np.exp(-STEP_S / s.tau_off_s)
    left_slow = np.exp(-STEP_S / s.slow_tau_s)
    w = s.supply_share
    gains = [s.gain_k * (1 + growth(day)) for day in range(len(speed) // DAY_STEPS + 1)]
    for i, (n, room, supply) in enumerate(
        zip(speed.tolist(), room_c.tolist(), supply_c.tolist(), strict=True)
    ):
        off = n != n
        rise = 0.0 if off else gains[i // DAY_STEPS] * (n / TOP) ** s.exponent
        around = room if off else w * supply + (1 - w) * room
        goal = around + s.offset_k + (1 - s.slow_share) * rise
        keep = left[1] if off else left[0]
        fast = goal + (fast - goal) * keep
        slow = s.slow_share * rise + (slow - s.slow_share * rise) * left_slow
        out[i] = fast + slow
    return out
