"""What happens inside a simulated machine, second by second: heat, chiller, air, oil, levels.

The figures are invented, chosen so that the shapes are right: friction heat grows with about the
1.4th power of speed, bearings follow with a lag of some twenty minutes, a chiller switches its
compressor between two limits, a lubricator gives a pulse every eight minutes of turning.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from condmon.engine.records import F64
from condmon.plant.signals import Mill
from condmon.plant.work import Mode

HEAT_POWER = 1.4
LAG_ON_S, LAG_OFF_S = 1200.0, 2400.0  # bearings towards their steady temperature
SWING_K = 0.4  # the chiller's compressor: on above, off below
CHILL_K_S = 0.6 / 60  # what the compressor takes off the supply
PUMP_K_S = 0.2 / 60  # what its pump puts in
PURGE_S = 240  # air after power-off, until the bearings are dry
OIL_EVERY_S = 480  # seconds of turning between two pulses
RAMP = 900.0  # 1/min in a second
WAY_OIL = 0.9 / 3600  # percent of the tank a second of running
REST_AFTER_TRIP_S = 1800  # of attended time: someone has to come and look
ATTENDED_S = range(6 * 3600, 20 * 3600)  # local seconds of the day
REFILL_S = 6 * 3600 + 3000  # local second of the day: tanks are topped up

COLUMNS = (
    "power",
    "cycle_running",
    "spindle_speed",
    "bearing_upper",
    "bearing_lower",
    "air_valve",
    "air_flow",
    "oil_pulses",
    "coolant_supply",
    "compressor",
    "hydraulic_pressure",
    "way_oil",
    "coolant_level",
    "coolant_pump",
)


@dataclass(frozen=True, slots=True)
class Hour:
    """What acts on the machine in one hour; one row a second. `fault`: size of each by name."""

    second_of_day: int  # local, of the first row
    mode: Sequence[int]
    speed: Sequence[float]  # share of top speed that the program asks for
    room_c: Sequence[float]
    jitter: Sequence[float]  # about 0, makes the oil pulses slightly uneven
    fault: Mapping[str, Sequence[float]]


@dataclass(slots=True)
class Body:
    """The state of one machine between two hours."""

    mill: Mill
    count: int
    coolant: float
    way_oil: float
    supply: float = 21.0
    upper: float = 21.0
    lower: float = 21.0
    speed: float = 0.0
    flow: float = 0.0
    pressure: float = 0.0
    in_pipes: float = 0.0
    oil_s: float = 0.0
    oil_next_s: float = OIL_EVERY_S
    off_s: int = PURGE_S
    rest_s: int = 0
    compressor: bool = False
    filling: bool = False
    columns: dict[str, list[float]] = field(default_factory=dict)

    def hour(self, hour: Hour) -> dict[str, F64]:
        """Live through an hour and give its columns, one value a second."""
        rows = [self._second(hour, row, mode) for row, mode in enumerate(hour.mode)]
        table = np.array(rows, np.float64)
        return {name: table[:, place] for place, name in enumerate(COLUMNS)}

    def _second(self, hour: Hour, row: int, mode: int) -> tuple[float, ...]:
        """Live through one second and give its row."""
        fault = {name: column[row] for name, column in hour.fault.items()}
        on, room_c = mode != Mode.OFF, hour.room_c[row]
        second = hour.second_of_day + row
        running = self._turn(mode, hour.speed[row], attended=second in ATTENDED_S)
        if fault["hard-stop"] > 0:
            running, self.speed = False, 0.0
        self._heat(on, room_c, fault["bearing-friction"], fault["bearing-cooling-lost"])
        swing_k = SWING_K * (1 - fault["chiller-hunts"])
        self._chill(on, room_c, 1 - fault["chiller-weak"], swing_k)
        stuck = fault["air-valve-stuck-open"]
        cut_off = fault["air-main-down"] + fault["spindle-air-off"] > 0
        valve = self._air(on, stuck, fault["air-leak"], cut_off=cut_off)
        self._oil(fault["oil-pulses-stop"] > 0, hour.jitter[row])
        taken = fault["coolant-leak"] + fault["coolant-used"] * running
        self._levels(on, running, second == REFILL_S, taken)
        if running and not fault["way-oil-stuck"]:
            self.way_oil -= WAY_OIL * (1 + fault["way-oil-lost"])
        self._pump(on, 1 + fault["hydraulic-leak"])
        return (
            on,
            running,
            self.speed,
            self.upper,
            self.lower,
            valve,
            self.flow,
            self.count,
            self.supply,
            self.compressor,
            self.pressure,
            self.way_oil,
            self.coolant - self.in_pipes,
            running,
        )

    def _turn(self, mode: int, share: float, *, attended: bool) -> bool:
        """Spindle speed; the machine stops itself when a bearing reaches its trip."""
        if max(self.upper, self.lower) >= self.mill.trip_c:
            self.rest_s = REST_AFTER_TRIP_S
        if self.rest_s:
            self.rest_s -= attended
            share = 0.0
        wanted = share * self.mill.speed_max
        self.speed += min(max(wanted - self.speed, -RAMP), RAMP)
        return mode in (Mode.CUT, Mode.TOOL) and not self.rest_s

    def _heat(self, on: bool, room_c: float, friction: float, lost: float) -> None:
        share = (self.speed / self.mill.speed_max) ** HEAT_POWER
        share *= (1 + friction) * (1 + 1.3 * lost)
        around = 0.8 * self.supply + 0.2 * room_c if on else room_c
        lag_s = LAG_ON_S if on else LAG_OFF_S
        self.upper += (around + self.mill.gain_upper_k * share - self.upper) / lag_s
        self.lower += (around + self.mill.gain_lower_k * share - self.lower) / lag_s

    def _chill(self, on: bool, room_c: float, strength: float, swing_k: float) -> None:
        if not on:
            self.compressor = False
            self.supply += (room_c - self.supply) / 10800
            return
        if self.supply > self.mill.setpoint_c + swing_k:
            self.compressor = True
        elif self.supply < self.mill.setpoint_c - swing_k:
            self.compressor = False
        spindle_k = (self.upper + self.lower) / 2 - self.supply
        self.supply += PUMP_K_S + 1e-4 * spindle_k + 7e-5 * (room_c - self.supply)
        self.supply -= CHILL_K_S * strength * self.compressor

    def _air(self, on: bool, stuck: float, leak: float, *, cut_off: bool) -> bool:
        self.off_s = 0 if on else self.off_s + 1
        valve = self.off_s < PURGE_S
        wanted = self.mill.air_l_min * (1.0 if valve else stuck) + leak
        wanted = 0.2 + wanted * (not cut_off)  # 0.2: the sensor's zero
        self.flow += (wanted - self.flow) / 3
        return valve or stuck > 0

    def _oil(self, stopped: bool, jitter: float) -> None:
        if self.speed <= 50:
            return
        self.oil_s += 1
        if self.oil_s >= self.oil_next_s:
            self.oil_s = 0
            self.oil_next_s = OIL_EVERY_S * (1 + 0.02 * jitter)
            self.count = self.count if stopped else (self.count + 1) % 65536

    def _levels(self, on: bool, running: bool, refill: bool, leak: float) -> None:
        if refill:
            self.coolant = max(self.coolant, 92.0)
            self.way_oil = max(self.way_oil, 90.0)
        self.coolant = max(self.coolant - ((0.5 if running else 0.08) + leak) / 3600, 0.0)
        self.in_pipes += ((3.0 if running else 0.0) - self.in_pipes) / 60

    def _pump(self, on: bool, leak: float) -> None:
        self.filling = on and (self.pressure < 52 or (self.filling and self.pressure < 60))
        self.pressure += 2.0 if self.filling else -0.02 * leak if on else -self.pressure / 1800
