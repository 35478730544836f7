"""Further things of a simulated machine: net compressor, vibration, probe, axis strokes, clamp."""

import numpy as np

from condmon.engine.records import F64, I64, SECOND_US, Flags
from condmon.plant.readings import Sent
from condmon.plant.signals import Mill
from condmon.plant.work import Mode

CYCLE_S = 360  # the net's compressor: one cycle of loading and unloading
NIGHT_SHARE, DAY_SHARE = 0.11, 0.45  # of the time loaded: machine off, machine on
BLEED_S, LEAK_S = 36000.0, 7200.0  # how fast a machine that is off loses its air, sound and not
PROBE_AT_S = (7 * 3600 + 1200, 12 * 3600 + 2400)  # local second of the day
DENT_MM = (20.0, 60.0)
STROKE_AT_S = 1500  # of each hour, when a program runs
STROKE_POINTS, STROKE_DT_S = 64, 0.05
CLAMP_AFTER_S = 8


def net(columns: dict[str, F64], fault: dict[str, F64], at_s: I64) -> None:
    """Pressure of the air at the machine and state of the compressor of the net."""
    share = np.where(columns["power"] > 0, DAY_SHARE, NIGHT_SHARE) + fault["net-leak"]
    place = at_s % CYCLE_S / CYCLE_S
    columns["net_compressor"] = (place < share).astype(np.float64)
    pressure = 6.3 + 0.3 * (1 - 2 * ((at_s % 500) / 500))
    columns["air_pressure"] = np.where(fault["air-main-down"] > 0, 1.5, pressure)


def bleed(columns: dict[str, F64], fault: dict[str, F64], off_s: F64) -> None:
    """A machine that shuts itself off from the net at power-off loses its air slowly."""
    lag_s = np.where(fault["air-leak"] > 0, LEAK_S, BLEED_S)
    off = columns["power"] == 0
    columns["air_pressure"] = np.where(off, 6.2 * np.exp(-off_s / lag_s), columns["air_pressure"])


def spindle(columns: dict[str, F64], fault: dict[str, F64], mode: F64, mill: Mill) -> None:
    """Vibration grows with speed; the clamp opens in the second half of a tool change."""
    share = columns["spindle_speed"] / mill.speed_max
    columns["vibration"] = (0.2 + 1.6 * share**2) * (1 + fault["vibration"])
    change = mode == Mode.TOOL
    late = np.concatenate([np.zeros(CLAMP_AFTER_S, bool), change[:-CLAMP_AFTER_S]])
    columns["tool_clamped"] = 1.0 - (change & late)
    crash = np.diff(fault["hard-stop"], prepend=0.0) > 0
    columns["spindle_load"] = np.where(crash, 185.0, columns["spindle_load"])


def worn(columns: dict[str, F64], axis: str, drag: F64, dent: F64) -> None:
    """An axis that carries more load everywhere, or lags and loads in one zone."""
    at = columns[f"position_{axis}"]
    inside: Flags = (at >= DENT_MM[0]) & (at < DENT_MM[1])
    columns[f"load_{axis}"] *= (1 + drag) * (1 + dent * inside)
    columns[f"following_error_{axis}"] *= 1 + dent * inside


def probe(
    columns: dict[str, F64],
    fault: dict[str, F64],
    second: int,
    from_us: int,
    rng: np.random.Generator,
) -> Sent:
    """Calibrations of the probe, twice a working day."""
    rows = [at - second for at in PROBE_AT_S if 0 <= at - second < len(columns["power"])]
    rows = [row for row in rows if columns["power"][row] > 0]
    values = [1.2 * float(rng.standard_normal()) + fault["probe-shift"][row] for row in rows]
    at_us = [from_us + row * SECOND_US for row in rows]
    return Sent(np.array(at_us, np.int64), np.array(values, np.float64))


def stroke(
    columns: dict[str, F64], place: int, rise: F64, from_us: int, rng: np.random.Generator
) -> list[tuple[int, str]]:
    """(instant, payload) of the stroke of an hour, if a program runs then."""
    if not columns["cycle_running"][STROKE_AT_S]:
        return []
    way = np.linspace(0, 1, STROKE_POINTS)
    trace = 18 + 4 * place + 6 * np.sin(way * 3.1416) + 0.3 * rng.standard_normal(STROKE_POINTS)
    trace += 20 * float(rise[STROKE_AT_S]) * np.exp(-(((way - 0.7) / 0.06) ** 2))
    at_us = from_us + STROKE_AT_S * SECOND_US
    began_ms = at_us // 1000 - round(1000 * STROKE_DT_S * (STROKE_POINTS - 1)) - 200
    listed = ",".join(f"{value:.1f}" for value in trace.tolist())
    return [(at_us, f'{{"v":[{listed}],"t":{began_ms},"dt":{STROKE_DT_S}}}')]
