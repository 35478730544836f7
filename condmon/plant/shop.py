"""The simulated shop as a whole: hour after hour of readings from all its machines, in order."""

from collections.abc import Iterator
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from condmon.engine.records import F64, I64, SECOND_US
from condmon.plant import further, readings, work
from condmon.plant.door import closings
from condmon.plant.physics import Body, Hour
from condmon.plant.readings import Reading, Sent
from condmon.plant.recipe import FAULTS, Recipe
from condmon.plant.signals import MILLS, ZONE, Mill, Sensor, sensors

HOUR_S = 3600
HOUR_US = HOUR_S * SECOND_US
AXIS_FAULTS = ("axis-drag", "axis-dent")
SENSOR_FAULTS = ("sensor-offset", "sensor-noise", "sensor-spikes", "sensor-stuck")
SETTLE_H = 10  # lived through unseen, so that bearings are as warm as the time of day asks


class Plant:
    """North Pier Optics from `start_us` on. Same seed, start and recipe: same readings."""

    def __init__(self, seed: int, start_us: int, recipe: Recipe) -> None:
        self._seed = seed
        self._start_us = start_us
        self._recipe = recipe
        rng = np.random.default_rng([seed, 77])
        self._bodies = [
            Body(
                mill,
                int(rng.integers(65000, 65500)),
                float(rng.uniform(74, 84)),
                float(rng.uniform(55, 80)),
            )
            for mill in MILLS
        ]
        self._sensors = {mill.id: sensors(mill) for mill in MILLS}
        self._last: dict[tuple[str, str], float] = {}
        self._fault: dict[str, dict[str, F64]] = {}
        self._second = 0
        self._ready: list[Reading] = []
        self._place = 0
        self._hour_us = start_us // HOUR_US * HOUR_US - SETTLE_H * HOUR_US

    def run(self, until_us: int) -> Iterator[Reading]:
        """Give the readings before `until_us` that were not given yet, in order of time."""
        while True:
            while self._place < len(self._ready):
                reading = self._ready[self._place]
                if reading.at_us >= until_us:
                    return
                self._place += 1
                yield reading
            if self._hour_us >= until_us:
                return
            self._live_an_hour()

    def _live_an_hour(self) -> None:
        from_us = self._hour_us
        self._hour_us += HOUR_US
        rows = self._ready[self._place :]  # a door's last edges may reach into this hour
        for body in self._bodies:
            columns = self._columns(body, from_us)
            if self._hour_us > self._start_us:
                rows += self._sent(body.mill, columns, from_us)
        rows.sort(key=lambda reading: reading.at_us)
        self._ready = [row for row in rows if row.at_us >= self._start_us]
        self._place = 0

    def _columns(self, body: Body, from_us: int) -> dict[str, F64]:
        mill = body.mill
        at_us = from_us + np.arange(HOUR_S, dtype=np.int64) * SECOND_US
        fault = {name: self._recipe.size(name, mill.id, at_us) for name in FAULTS}
        second, mode, speed, load = self._work(mill, from_us)
        stopped = (fault["cycle-stops"] > 0) & (mode != work.Mode.OFF)
        mode = np.where(stopped, work.Mode.IDLE, mode)
        speed, load = np.where(stopped, 0.0, speed), np.where(stopped, 0.0, load)
        room = self._room(mill, at_us)
        rng = self._rng(mill, from_us, 900)
        columns = body.hour(
            Hour(
                second,
                mode.tolist(),
                speed.tolist(),
                room.tolist(),
                rng.standard_normal(HOUR_S).tolist(),
                {name: column.tolist() for name, column in fault.items()},
            )
        )
        at_s = at_us // SECOND_US
        if fault["bearings-swapped"].any():
            swap = fault["bearings-swapped"] > 0
            upper, lower = columns["bearing_upper"], columns["bearing_lower"]
            columns["bearing_upper"] = np.where(swap, lower, upper)
            columns["bearing_lower"] = np.where(swap, upper, lower)
        columns["mode"], columns["room"] = mode.astype(np.float64), room
        columns["coolant_setpoint"] = np.full(HOUR_S, mill.setpoint_c)
        further.net(columns, fault, at_s)
        if mill.number:
            further.bleed(columns, fault, self._off_s(mill, columns["power"]))
        running = columns["cycle_running"] * (speed > 0)
        columns["spindle_load"] = 100 * load * running * (1 + 0.1 * np.sin(at_s / 3.7))
        for place, axis in enumerate(mill.axes):
            _axis(columns, axis, place, running * np.maximum(speed, 0.2), at_s)
            named = f"load_{axis}"
            drag, dent = (self._recipe.size(name, mill.id, at_us, named) for name in AXIS_FAULTS)
            further.worn(columns, axis, drag, dent)
        columns["control"] = (fault["control-fault"] > 0).astype(np.float64)
        further.spindle(columns, fault, columns["mode"], mill)
        self._fault[mill.id], self._second = fault, second
        return columns

    def _off_s(self, mill: Mill, power: F64) -> F64:
        """Seconds since power-off, one row a second."""
        place = np.arange(len(power), dtype=np.float64)
        on = np.where(power > 0, place, -1.0)
        last_on = np.maximum.accumulate(on)
        carried = self._last.get((mill.id, "off_s"), 0.0)
        off_s = np.where(last_on >= 0, place - last_on, place + 1 + carried)
        self._last[mill.id, "off_s"] = float(off_s[-1])
        return off_s

    def _work(self, mill: Mill, from_us: int) -> tuple[int, I64, F64, F64]:
        """Local second of the day, then mode, speed share and load share, one row a second."""
        local = datetime.fromtimestamp(from_us / SECOND_US, UTC).astimezone(ZoneInfo(ZONE))
        second = local.hour * HOUR_S + local.minute * 60
        rows = work.day(self._seed, mill.number, local.date(), mill.nights)
        starts = np.array([row.start_s for row in rows])
        place = np.searchsorted(starts, second + np.arange(HOUR_S), "right") - 1
        return (
            second,
            np.array([row.mode for row in rows], np.int64)[place],
            np.array([row.speed for row in rows])[place],
            np.array([row.load for row in rows])[place],
        )

    def _room(self, mill: Mill, at_us: I64) -> F64:
        """Day and night, summer and winter, and the weather of some days."""
        day = at_us / (86400 * SECOND_US)
        phase = np.random.default_rng([self._seed, 5]).uniform(0, 6.28, 2)
        weather = np.sin(day / 3.1 * 6.28 + phase[0]) + np.sin(day / 7.3 * 6.28 + phase[1])
        season = -2.0 * np.cos((day - 20) / 365.25 * 6.28)
        hour = 1.3 * np.sin((day % 1 - 0.4) * 6.28)
        return np.asarray(21.3 + 0.4 * mill.number + season + hour + 0.4 * weather)

    def _sent(self, mill: Mill, columns: dict[str, F64], from_us: int) -> list[Reading]:
        door = self._door(mill, columns["mode"], from_us)
        fault, rng = self._fault[mill.id], self._rng(mill, from_us, 902)
        door["probe"] = further.probe(columns, fault, self._second, from_us, rng)
        rows: list[Reading] = []
        for place, sensor in enumerate(self._sensors[mill.id]):
            rng = self._rng(mill, from_us, place)
            if sensor.role == "axis_trace":
                rows += self._stroke(mill, sensor, columns, from_us, rng)
                continue
            if sensor.name in door:
                sent = self._repeated(mill, sensor, door[sensor.name], from_us)
            elif sensor.period_s:
                sent = readings.measured(
                    sensor, columns[sensor.name], from_us, self._recipe.thin, rng
                )
            else:
                sent = self._repeated(
                    mill,
                    sensor,
                    readings.changes(
                        sensor,
                        columns[sensor.name],
                        from_us,
                        self._last.get((mill.id, sensor.name)),
                    ),
                    from_us,
                )
            if sensor.fed:
                on = columns["power"][(sent.at_us - from_us) // SECOND_US] > 0
                sent = Sent(sent.at_us[on], sent.values[on])
            rows += self._faulty(mill, sensor, sent, rng)
        return rows

    def _stroke(
        self,
        mill: Mill,
        sensor: Sensor,
        columns: dict[str, F64],
        from_us: int,
        rng: np.random.Generator,
    ) -> list[Reading]:
        at_us = from_us + np.arange(HOUR_S, dtype=np.int64) * SECOND_US
        rise = self._recipe.size("axis-stroke", mill.id, at_us, sensor.name)
        place = mill.axes.index(sensor.name[-1])
        return [
            Reading(at, mill.id, sensor.name, sensor.topic, payload)
            for at, payload in further.stroke(columns, place, rise, from_us, rng)
        ]

    def _door(self, mill: Mill, mode: F64, from_us: int) -> dict[str, Sent]:
        before = self._last.get((mill.id, "mode"), float(mode[0]))
        self._last[mill.id, "mode"] = float(mode[-1])
        return closings(
            np.concatenate(([before], mode)) == work.Mode.OPEN,
            from_us,
            lambda fault, at_us: float(self._recipe.size(fault, mill.id, np.array([at_us]))[0]),
            self._rng(mill, from_us, 901),
        )

    def _repeated(self, mill: Mill, sensor: Sensor, sent: Sent, from_us: int) -> Sent:
        """Send the changes, and the value again every few minutes."""
        key = (mill.id, sensor.name)
        start = 1.0 if sensor.name.startswith("door") else 0.0
        before = self._last.get(key, start)
        if len(sent.values):
            self._last[key] = float(sent.values[-1])
        return readings.repeated(sensor, sent, from_us, before) if sensor.repeat_s else sent

    def _faulty(
        self, mill: Mill, sensor: Sensor, sent: Sent, rng: np.random.Generator
    ) -> list[Reading]:
        """Make the readings as they leave, after what is wrong with the sensor or the way out."""
        keep = self._recipe.size("link-lost", mill.id, sent.at_us) == 0
        values = sent.values
        for fault in self._recipe.named("sensor-silent", mill.id):
            if fault.signal == sensor.name:
                keep &= (sent.at_us < fault.onset_us) | (sent.at_us >= fault.until_us)
        for fault in self._recipe.named("sensor-sentinel", mill.id):
            if fault.signal == sensor.name:
                on = (sent.at_us >= fault.onset_us) & (sent.at_us < fault.until_us)
                values = np.where(on, fault.size, values)
        values = self._spoilt(mill, sensor, sent.at_us, values, rng)
        left = Sent(sent.at_us[keep], values[keep])
        return [
            Reading(at_us, mill.id, sensor.name, sensor.topic, payload)
            for at_us, payload in zip(left.at_us.tolist(), readings.text(sensor, left), strict=True)
        ]

    def _spoilt(
        self, mill: Mill, sensor: Sensor, at_us: I64, values: F64, rng: np.random.Generator
    ) -> F64:
        """What a faulty sensor makes of its values."""
        size = {
            name: self._recipe.size(name, mill.id, at_us, sensor.name) for name in SENSOR_FAULTS
        }
        if not any(column.any() for column in size.values()):
            return values
        scatter = rng.standard_normal(len(values))
        values = values + size["sensor-offset"] + size["sensor-noise"] * scatter
        wild = rng.uniform(size=len(values)) < size["sensor-spikes"] * sensor.period_s / HOUR_S
        values = np.where(wild, 214.0, values)
        stuck = size["sensor-stuck"] > 0
        key = (mill.id, f"stuck {sensor.name}")
        if stuck.any():
            first = int(np.argmax(stuck))
            self._last.setdefault(key, float(values[first]))
            values = np.where(stuck, self._last[key], values)
        return values

    def _rng(self, mill: Mill, from_us: int, use: int) -> np.random.Generator:
        return np.random.default_rng([self._seed, mill.number, from_us // HOUR_US, use])


def _axis(columns: dict[str, F64], axis: str, place: int, cutting: F64, at_s: I64) -> None:
    """Position, load and following error of one axis; z carries the weight of the head."""
    period_s = (7.3, 11.1, 5.7)[place]
    reach_mm = 140 * cutting
    columns[f"position_{axis}"] = reach_mm * np.sin(at_s / period_s * 6.28)
    pace = reach_mm * np.abs(np.cos(at_s / period_s * 6.28)) / period_s
    columns[f"load_{axis}"] = (31.0 if axis == "z" else 8.0) + 0.6 * pace
    columns[f"following_error_{axis}"] = 0.4 + 0.12 * pace
