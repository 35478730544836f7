"""The mill of the service story, a day at a time in columns by the minute. All figures invented.

North Pier Optics, one five-axis mill with few sensors. What wears, leaks and is put right between
two days is told by `Wear`; everything else is a healthy machine that works from half past six to
six.
"""

from dataclasses import dataclass

import numpy as np

from condmon.engine import records as rec
from condmon.engine.records import NO_TIME, SECOND_US, Samples
from condmon.engine.settings import Settings, Signal

DAY_S, DAY_MIN = 86400, 1440
ON, OFF = 6 * 60 + 30, 18 * 60
SPEEDS = (6000.0, 9000.0, 12000.0)
PART_MIN = 30
NOON = (12 * 60, 12 * 60 + 50)  # switched on, nothing moves, valve shut

CONFIG = """
[site]
name = "North Pier Optics"
timezone = "UTC"
lateness = "0 s"
[broker]
url = "{broker}"
client_id = "condmon-story"
[store]
path = "store"
disk_min_mb = 1
{web}
[[machine]]
id = "mill-1"
name = "Five-axis mill"
"""

SIGNALS = (
    ("power", "power", ""),
    ("cycle", "cycle_running", ""),
    ("speed", "spindle_speed", 'fed_by = "power"'),
    ("bearing", "bearing_temperature", 'trip = 60\nplace = "upper"\ntitle = "upper bearing"'),
    ("room", "room_temperature", ""),
    ("supply", "coolant_supply_temperature", "setpoint = 22\ntolerance = 2"),
    ("pressure", "air_pressure", ""),
    ("flow", "air_flow", ""),
    ("oil", "oil_pulses", 'every = "8 min"\nwidth = 16'),
    ("hydraulic", "hydraulic_pressure", 'fed_by = "power"\ntitle = "hydraulic pressure"'),
    ("load_x", "axis_load", 'axis = "x"\nfed_by = "power"\ntitle = "load of x"'),
    ("load_y", "axis_load", 'axis = "y"\nfed_by = "power"\ntitle = "load of y"'),
    ("load_z", "axis_load", 'axis = "z"\nfed_by = "power"\ntitle = "load of z"'),
    ("closed", "door_closed", ""),
    ("latched", "door_latched", ""),
    ("setter", "probe_offset", 'title = "tool setter"'),
    ("stroke_y", "axis_trace", 'axis = "y"\ntitle = "stroke of y"'),
)


def config(broker: str, web: str = "") -> str:
    """The configuration as TOML."""
    text = CONFIG.format(broker=broker, web=web)
    for name, role, more in SIGNALS:
        text += f'[machine.signal.{name}]\ntopic = "pier/mill-1/{name}"\nrole = "{role}"\n{more}\n'
    return text


@dataclass(frozen=True)
class Wear:
    """How the machine is on one day."""

    sag: float = 0.0  # share of the hydraulic pressure that is missing
    drag: float = 0.0  # share of load that axis y carries more
    leak: float = 0.0  # L/min of air that leaks
    offset: float = 0.0  # um that the tool setter is off


class Mill:
    """Makes the samples of one day after the other."""

    def __init__(self, settings: Settings, seed: int) -> None:
        self._signals: dict[str, Signal] = {s.name: s for s in settings.machines[0].signals}
        self._rng = np.random.default_rng(seed)
        self._bearing, self._supply, self._oil = 20.0, 20.0, 100

    def day(self, start_us: int, wear: Wear) -> Samples:
        """All samples of a day that begins at `start_us`, in order of time."""
        c = self._columns(wear)
        rows: list[tuple[np.ndarray, int, np.ndarray]] = []
        minute = np.arange(DAY_MIN)
        for name, values in c.items():
            signal = self._signals[name]
            send = np.ones(DAY_MIN, bool)
            if signal.kind in {"state", "counter"}:
                send[1:] = np.diff(values) != 0
            elif signal.fed_by:
                send = c["power"] > 0
            rows.append((minute[send] * 60.0 + 1 + signal.index, signal.index, values[send]))
        rows += self._door() + self._seldom(wear)
        at = np.concatenate([r[0] for r in rows])
        index = np.concatenate([np.full(len(r[0]), r[1]) for r in rows])
        value = np.concatenate([r[2] for r in rows])
        order = np.argsort(at, kind="stable")
        n = len(at)
        return Samples(
            index[order].astype(np.int32),
            start_us + np.rint(at[order] * SECOND_US).astype(np.int64),
            np.full(n, NO_TIME, np.int64),
            value[order].astype(np.float64),
            np.full(n, rec.GOOD, np.uint8),
            np.zeros(n, np.uint16),
            np.zeros(n, np.uint8),
        )

    def _columns(self, wear: Wear) -> dict[str, np.ndarray]:
        minute = np.arange(DAY_MIN)
        power = ((minute >= ON) & (minute < OFF)).astype(float)
        works = (
            (power > 0)
            & (minute >= ON + 10)
            & (minute < OFF - 5)
            & ~((minute >= NOON[0]) & (minute < NOON[1]))
        )
        part = (minute // PART_MIN) % len(SPEEDS)
        speed = np.where(works, np.array(SPEEDS)[part], 0.0)
        noise = self._rng.standard_normal
        room = 20.0 + 1.5 * np.sin((minute - 600) / DAY_MIN * 6.2832)
        bearing, supply, oil = [], [], []
        for i in range(DAY_MIN):
            goal = 22.0 if power[i] else room[i]
            self._supply += (goal - self._supply) / (12.0 if power[i] else 120.0)
            around = self._supply if power[i] else room[i]
            heat = 14.0 * (speed[i] / SPEEDS[-1]) ** 1.4
            self._bearing += (around + heat - self._bearing) / 8.0
            self._oil += int(works[i] and i % 8 == 0)
            bearing.append(self._bearing)
            supply.append(self._supply)
            oil.append(self._oil % 65536)
        air = 0.2 + 38.0 * works + wear.leak
        saw = 60.0 - 0.8 * (minute % 7)
        c = {
            "power": power,
            "cycle": works.astype(float),
            "speed": speed,
            "bearing": np.array(bearing) + 0.05 * noise(DAY_MIN),
            "room": room + 0.05 * noise(DAY_MIN),
            "supply": np.array(supply) + 0.1 * noise(DAY_MIN),
            "pressure": 6.3 + 0.05 * noise(DAY_MIN),
            "flow": air + 0.05 * noise(DAY_MIN),
            "oil": np.array(oil, float),
            "hydraulic": saw * (1 - wear.sag) + 0.1 * noise(DAY_MIN),
        }
        for axis, base in (("x", 20.0), ("y", 22.0 * (1 + wear.drag)), ("z", 34.0)):
            c[f"load_{axis}"] = base * (0.4 + 0.6 * works) + 0.8 * noise(DAY_MIN)
        return {
            name: np.round(v, 3) if self._signals[name].kind == "measure" else v
            for name, v in c.items()
        }

    def _door(self) -> list[tuple[np.ndarray, int, np.ndarray]]:
        """Six closings a day, each latched in a second; before power comes and at work."""
        closed, latched = self._signals["closed"], self._signals["latched"]
        opens = np.array([0, ON + 5, ON + 70, ON + 130, ON + 190, ON + 250, ON + 400]) * 60.0 + 20
        shuts = opens + np.where(np.arange(7) == 0, 4.0, 90.0)
        latch = shuts + 0.9 + 0.05 * self._rng.random(7)
        zero, one = np.zeros(7), np.ones(7)
        return [
            (np.concatenate([opens, shuts]), closed.index, np.concatenate([zero, one])),
            (np.concatenate([opens - 1, latch]), latched.index, np.concatenate([zero, one])),
        ]

    def _seldom(self, wear: Wear) -> list[tuple[np.ndarray, int, np.ndarray]]:
        """Calibrations of the tool setter, and a stroke of y every two hours."""
        rows = []
        for minute in (ON + 45, 13 * 60 + 5):
            value = np.array([round(1.2 * float(self._rng.standard_normal()) + wear.offset, 1)])
            rows.append((np.array([minute * 60.0]), self._signals["setter"].index, value))
        way = np.linspace(0, 1, 64)
        for minute in range(ON + 60, OFF, 120):
            trace = 18 + 6 * np.sin(way * 3.1416) + 0.3 * self._rng.standard_normal(64)
            trace += 22.0 * wear.drag * np.exp(-(((way - 0.7) / 0.08) ** 2))
            at = minute * 60.0 + np.arange(64) * 0.05
            rows.append((at, self._signals["stroke_y"].index, np.round(trace, 2)))
        return rows
