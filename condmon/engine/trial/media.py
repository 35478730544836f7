"""Cold start, air, oil, hydraulics and coolant: points out of minutes. Pure."""

from typing import Any

import numpy as np

from condmon.engine.records import F64, I64, Flags
from condmon.engine.settings import Machine
from condmon.engine.trial.points import Look, Point, Taken, apart, first, kelvin, stretch

COLD_MIN = 240
"""Four hours off: a spindle of some twenty minutes' lag is then as cold as its room."""
SETTLE_MIN, QUIET_MIN, COOLANT_MIN = 10, 15, 30
FALL_MIN = 10
"""A level is compared over ten minutes: sensors of tanks show a tenth of a percent."""
LEAST_FALL = 0.005  # of the pressure, a minute: below it a fall is noise


class Media:
    """Carried: how long the machine has been off, on, quiet; the levels of ten minutes; the oil."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._runs: dict[str, list[int]] = {}
        self._off_before = 0
        self._pressure = np.nan  # of the minute before
        self._level: list[float] = []
        self._oil_min = 0.0  # turning minutes since the last pulse

    def learn(self, look: Look) -> list[Taken]:
        """What the minutes say."""
        out = self._cold(look) + self._air(look) + self._oil(look)
        return out + self._hydraulic(look) + self._quiet(look) + self._coolant(look)

    def _stretch(self, name: str, look: Look, flag: Flags) -> I64:
        return stretch(look.part.minute, flag, self._runs.setdefault(name, [-2, 0]))

    def _cold(self, look: Look) -> list[Taken]:
        power, room = first(self._machine, "power"), first(self._machine, "room_temperature")
        bearings = self._machine.by_role("bearing_temperature")
        if power is None or room is None or not bearings:
            return []
        off = self._stretch("off", look, np.asarray(look.high(power) == 0.0))
        before = np.concatenate([[self._off_before], off[:-1]])
        if len(off):
            self._off_before = int(off[-1])
        start = (off == 0) & (before >= COLD_MIN)
        out: list[Taken] = []
        for one in bearings:
            value = np.where(start, look.mean(one) - look.mean(room), np.nan)
            words = f"{one.label()} over the room when switched on cold"
            point = Point(f"cold/{one.name}", "cold", one.name, words, kelvin(one), "either",
                          0.0, apart(3.0, "K", one),
                          least=1, day_least=1)  # fmt: skip
            out.append((point, look.part.minute, value))
        return out

    def _air(self, look: Look) -> list[Taken]:
        out: list[Taken] = []
        on = look.all_of("power", 1.0)
        pressure, flow = first(self._machine, "air_pressure"), first(self._machine, "air_flow")
        if pressure:
            point = Point("air/pressure", "air", pressure.name,
                          f"{pressure.label()}, lowest with power on", pressure.unit, "lower",
                          0.1, apart(0.2, "bar", pressure), share=0.05, least=20)  # fmt: skip
            out.append((point, look.part.minute, np.where(on, look.low(pressure), np.nan)))
        if flow and first(self._machine, "spindle_speed"):
            point = Point("air/turning", "air", flow.name,
                          f"{flow.label()} while the spindle turns", flow.unit, "either",
                          0.25, apart(2.0, "L/min", flow), least=10)  # fmt: skip
            out.append((point, look.part.minute, np.where(look.turning(), look.mean(flow), np.nan)))
        return out

    def _oil(self, look: Look) -> list[Taken]:
        pulses = first(self._machine, "oil_pulses")
        if pulses is None or not first(self._machine, "spindle_speed"):
            return []
        value = np.full(len(look.part.minute), np.nan)
        turning, moved = look.turning().tolist(), look.moved(pulses).tolist()
        for i, (turns, count) in enumerate(zip(turning, moved, strict=True)):
            self._oil_min += float(turns)
            if count:
                value[i] = self._oil_min / count
                self._oil_min = 0.0
        limit = 1.5 * pulses.every_s / 60.0 if pulses.every_s else None
        point = Point("air/oil", "air", pulses.name, "turning minutes from one oil pulse to the "
                      "next", "min", "higher", 0.5, 1.0, least=2, day_least=3,
                      high=limit)  # fmt: skip
        return [(point, look.part.minute, value)]

    def _hydraulic(self, look: Look) -> list[Taken]:
        pressure = first(self._machine, "hydraulic_pressure")
        if pressure is None:
            return []
        mean = look.mean(pressure)
        run = self._stretch("pump", look, look.all_of("power", 1.0) & ~np.isnan(mean))
        before = np.concatenate([[self._pressure], mean[:-1]])
        if len(mean):
            self._pressure = float(mean[-1])
        settled = run > SETTLE_MIN
        with np.errstate(invalid="ignore"):
            falls = settled & (before - mean > LEAST_FALL * before)
        low = Point("leaks/hydraulic-lowest", "leaks", pressure.name,
                    f"{pressure.label()}, lowest with the pump on", pressure.unit, "lower",
                    0.1, 0.0, share=0.05, least=20, day_least=60)  # fmt: skip
        fall = Point("leaks/hydraulic-fall", "leaks", pressure.name,
                     f"{pressure.label()}, fall between fillings", f"{pressure.unit}/min", "higher",
                     1.0, 0.0, least=5)  # fmt: skip
        return [
            (low, look.part.minute, np.where(settled, mean, np.nan)),
            (fall, look.part.minute, np.where(falls, before - mean, np.nan)),
        ]

    def _quiet(self, look: Look) -> list[Taken]:
        """Air that flows although nothing asks for it, with power on and with power off."""
        flow = first(self._machine, "air_flow")
        if flow is None:
            return []
        speed = first(self._machine, "spindle_speed")
        n = len(look.part.minute)
        stands = np.ones(n, bool) if speed is None else np.asarray(~(look.high(speed) > 50))
        still = stands & look.all_of("cycle_running", 0.0) & look.all_of("door_closed", 1.0)
        on = look.all_of("power", 1.0) & still
        idle = self._stretch("idle", look, on) > QUIET_MIN
        dark = np.zeros(n, bool)
        if first(self._machine, "power"):
            dark = self._stretch("dark", look, look.all_of("power", 0.0)) > QUIET_MIN
        value = look.mean(flow)
        return [
            (Point(f"leaks/air-{name}", "leaks", flow.name, f"{flow.label()} {when}", flow.unit,
                   "higher", 0.33, apart(1.0, "L/min", flow), share=0.2, least=10),
             look.part.minute,
             np.where(quiet, value, np.nan))
            for name, when, quiet in (
                ("idle", "with power on and nothing moving", idle),
                ("off", "with power off", dark),
            )
        ]  # fmt: skip

    def _coolant(self, look: Look) -> list[Taken]:
        out: list[Taken] = []
        supply = first(self._machine, "coolant_supply_temperature")
        if supply:
            out += self._supply(look)
        level, pump = first(self._machine, "coolant_level"), first(self._machine, "pump_running")
        if level and pump:
            pumped = self._stretch("wet", look, look.all_of("pump_running", 1.0))
            value = self._falls(look.mean(level), pumped)
            point = Point("leaks/coolant-fall", "leaks", level.name,
                          f"{level.label()}, fall with the pump on", f"{level.unit}/h", "higher",
                          1.0, 4.0, least=10)  # fmt: skip
            out.append((point, look.part.minute, value))
        return out

    def _supply(self, look: Look) -> list[Taken]:
        supply = first(self._machine, "coolant_supply_temperature")
        told = first(self._machine, "coolant_setpoint")
        assert supply is not None
        if told is None and supply.setpoint is None:
            return []
        target = look.mean(told) if told else np.full(len(look.part.minute), supply.setpoint)
        run = self._stretch("cool", look, look.all_of("power", 1.0))
        over = np.where(run > COOLANT_MIN, look.mean(supply) - target, np.nan)
        limit = apart(2.0, "K", supply) if supply.tolerance is None else supply.tolerance
        point = Point("coolant/set-point", "coolant", supply.name,
                      f"{supply.label()} over its set point", kelvin(supply), "either", 0.0,
                      apart(1.0, "K", supply),
                      low=-limit, high=limit)  # fmt: skip
        return [(point, look.part.minute, over)]

    def _falls(self, level: F64, pumped: I64) -> F64:
        """Percent an hour over the ten minutes before each minute in which the pump ran."""
        known = [*self._level, *level.tolist()]
        kept = len(self._level)
        out = np.full(len(level), np.nan)
        for i in range(len(level)):
            back = kept + i - FALL_MIN
            if pumped[i] > FALL_MIN and back >= 0:
                out[i] = (known[back] - known[kept + i]) * 60 / FALL_MIN
        self._level = known[-FALL_MIN:]
        return out

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "runs": self._runs,
            "rest": [self._off_before, self._pressure, self._level, self._oil_min],
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._runs = state["runs"]
        self._off_before, self._pressure, self._level, self._oil_min = state["rest"]
