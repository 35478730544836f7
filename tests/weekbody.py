"""One machine of the eight weeks, a day at a time in columns (tests/weeks.py). Figures invented."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from condmon.engine import records as rec
from condmon.engine.records import F64, I64, SECOND_US
from condmon.engine.settings import Machine, Signal

ZONE = ZoneInfo("Europe/Oslo")
START = date(2026, 3, 2)  # a Monday; summer time begins in the fourth week
DAYS = 56
DAY_MIN = 1440
HOLIDAY = 31  # day of the weeks, a Thursday
POWER_CUT = (23, 9 * 60, 9 * 60 + 40)  # day, from and to in local minutes
FILTERS = 37
NIGHTS = {"mill-1": {1, 3}, "mill-2": {0, 2}, "lathe-3": set()}
LOADS = {"x": 20.0, "y": 22.0, "z": 34.0}

Rows = tuple[F64, F64, I64, F64]
"""(arrival, own time or NO_TIME, signal, value) of many samples."""
Size = Callable[[str], F64]
"""How strong the fault that a check looks for is, at each minute of a day."""


@dataclass(frozen=True)
class Trouble:
    """One fault: the check that must find it, from when to when (days and local hours)."""

    check: str
    machine: str
    day: int
    hour: float
    hours: float
    ramp: bool = False


def size_of(troubles: Mapping[str, Trouble], check: str, minute: F64 | I64) -> F64:
    """How strong a fault is at each minute (counted from the first day), 0 to 1."""
    trouble = troubles.get(check)
    if trouble is None:
        return np.zeros(len(minute))
    since = minute - (trouble.day * DAY_MIN + trouble.hour * 60)
    inside = (since >= 0) & (since < trouble.hours * 60)
    return inside * (np.clip(since / (trouble.hours * 60), 0, 1) if trouble.ramp else 1.0)


@dataclass
class Body:
    """One machine between two days."""

    machine: Machine
    seed: int
    upper: float = 19.0
    lower: float = 19.0
    supply: float = 20.0
    way_oil: float = 85.0
    coolant: float = 90.0
    oil: float = 100.0
    oil_due_min: float = 8.0
    sent: dict[str, float] = field(default_factory=dict)
    off_min: float = 600.0

    def day(self, n: int, start_us: int, length: int, troubles: dict[str, Trouble]) -> Rows:
        """All samples of a local day."""
        rng = np.random.default_rng([self.seed, n])
        minute = np.arange(length)
        at = n * DAY_MIN + minute
        c = self._work(n, minute, rng)

        def size(check: str) -> F64:
            return size_of(troubles, check, at)

        halt = size("unattended-stop") > 0
        c["cycle"], c["speed"] = c["cycle"] * ~halt, c["speed"] * ~halt
        self._heat(c, size, n, minute, rng)
        self._media(c, size, at, start_us, rng)
        self._axes(c, size, rng)
        return self._sampled(c, size, start_us, n, rng)

    def _work(self, n: int, minute: I64, rng: np.random.Generator) -> dict[str, F64]:
        """Power, program, speed, loads of what is made this week; door openings."""
        length = len(minute)
        c = {name: np.zeros(length) for name in ("power", "cycle", "speed", "share", "open")}
        product = np.random.default_rng([self.seed, 99, n // 7])
        speeds = product.choice([6000, 8000, 9500, 12000, 14000], 3, replace=False)
        weekday = (START + timedelta(n)).weekday()
        nights = NIGHTS[self.machine.id]
        works = weekday < 5 and n != HOLIDAY
        ran = (weekday - 1) % 7 in nights and n - 1 != HOLIDAY
        if ran and n:
            self._parts(c, 0, 6 * 60 + 10, speeds, product, rng, door=False)
            c["power"][: 6 * 60 + 20] = 1
        if works:
            on = 6 * 60 + 30 + int(rng.integers(10))
            end = length if weekday in nights else 18 * 60
            c["power"][on:end] = 1
            for i, speed in enumerate((2000, 6000, 10000)):  # warm-up
                c["cycle"][on + 10 + i * 7 : on + 17 + i * 7] = 1
                c["speed"][on + 10 + i * 7 : on + 17 + i * 7] = speed
            self._parts(c, on + 50, 17 * 60 + 50, speeds, product, rng, door=True)
            if weekday in nights:
                self._parts(c, 18 * 60, length, speeds, product, rng, door=False)
        if n == POWER_CUT[0]:
            for name in c:
                c[name][POWER_CUT[1] : POWER_CUT[2] + 15] = 0
        return c

    def _parts(
        self, c: dict[str, F64], start: int, stop: int, speeds: I64,
        product: np.random.Generator, rng: np.random.Generator, *, door: bool,
    ) -> None:  # fmt: skip
        at = start
        while at < stop:
            for speed in speeds.tolist():
                takes = int(rng.integers(8, 25))
                end = min(at + takes, stop)
                c["cycle"][at:end], c["speed"][at:end] = 1, speed
                c["share"][at:end] = 0.9 + 0.2 * rng.random()
                at = end
            if door and at + 5 < stop:
                c["open"][at + 1 : at + 4] = 1
                at += 5
            elif not door:
                at += 1

    def _heat(
        self, c: dict[str, F64], size: Size, n: int, minute: I64, rng: np.random.Generator
    ) -> None:
        season = 18.5 + 5.5 * (n + minute / DAY_MIN) / DAYS  # spring warms the hall
        weather = 0.8 * np.sin(n / 2.1 + self.seed) + 1.2 * np.sin((minute - 600) / DAY_MIN * 6.28)
        c["room"] = season + weather
        target = 22.0 + 3.0 * (size("coolant-off-set-point") > 0)
        swing = 0.4 * np.sin((n * DAY_MIN + minute) / 6.4 * 6.28)
        more = 7.0 * (size("bearing-hot") > 0) + 6.0 * size("bearing-warming")
        near = 1.0 + 2.4 * (size("bearing-near-trip") > 0)
        heat = (np.abs(c["speed"]) / 14000) ** 1.4
        on = c["power"] > 0
        upper, lower, supply = [], [], []
        for i in range(len(minute)):
            room = c["room"][i]
            self.supply += ((target[i] if on[i] else room) - self.supply) / (15 if on[i] else 180)
            around = 0.8 * self.supply + 0.2 * room if on[i] else room
            self.upper += (around + (14 * near[i] + more[i]) * heat[i] - self.upper) / 20
            self.lower += (around + 18 * near[i] * heat[i] - self.lower) / 20
            upper.append(self.upper)
            lower.append(self.lower)
            supply.append(self.supply)
        c["upper"], c["lower"] = np.array(upper), np.array(lower)
        if size("sensors-swapped").any():
            swap = size("sensors-swapped") > 0
            c["upper"], c["lower"] = (
                np.where(swap, c["lower"], c["upper"]),
                np.where(swap, c["upper"], c["lower"]),
            )
        c["supply"] = np.array(supply) + swing * on
        c["vibration"] = 0.25 + 1.1 * (c["speed"] / 14000) ** 2
        c["vibration"] *= 1 + 1.4 * size("vibration-risen")
        c["load"] = c["cycle"] * (25 + 10 * c["share"]) + rng.normal(0, 1, len(minute))

    def _media(
        self, c: dict[str, F64], size: Size, at: I64, start_us: int, rng: np.random.Generator
    ) -> None:
        length, on = len(at), c["power"] > 0
        off_min = []
        for powered in on.tolist():
            self.off_min = 0.0 if powered else self.off_min + 1
            off_min.append(self.off_min)
        off = np.array(off_min)
        purge = ~on & (off <= 4)
        left_on = ~on & (size("air-while-off") > 0)
        valve = on | purge | left_on
        c["valve"] = valve * (size("state-contradicts") == 0)
        c["flow"] = 0.2 + 38.0 * valve * (size("air-missing") == 0) + 1.5 * size("air-leak")
        net = 6.3 + 0.3 * np.sin(at / 8.3 * 6.28)
        lag = np.where(size("air-bleed-down") > 0, 120.0, 700.0)
        shut_off = ~on & (self.machine.id == "mill-2")
        c["pressure"] = np.where(shut_off, 6.2 * np.exp(-off / lag), net)
        c["pressure"] = np.where(size("air-down") > 0, 2.0, c["pressure"])
        c["hydraulic"] = 60 - 1.2 * (at % 6.7)
        c["hydraulic"] *= 1 - 0.15 * (size("hydraulic-sagging") > 0)
        use = (0.9 / 60) * c["cycle"] * (1 + 3.5 * (size("way-oil-falling") > 0))
        use *= size("way-oil-unused") == 0
        gone = (0.5 / 60) * c["cycle"] + 0.004 * on
        gone += (18 / 60) * (size("coolant-falling") > 0) + (9 / 60) * (
            size("coolant-low") > 0
        ) * on
        missing = size("oil-missing") > 0
        keeps = size("coolant-low") + size("coolant-falling") > 0
        oil, way, tank = [], [], []
        for i in range(length):
            if i == 380:
                self.coolant = self.coolant if keeps[i] else 92.0
                self.way_oil = 90.0 if self.way_oil < 40 else self.way_oil
            self.way_oil = max(self.way_oil - use[i], 0.0)
            self.coolant = max(self.coolant - gone[i], 0.0)
            self.oil_due_min -= c["speed"][i] > 50
            if self.oil_due_min <= 0:
                self.oil_due_min, self.oil = 8.0, self.oil + (not missing[i])
            oil.append(self.oil)
            way.append(self.way_oil)
            tank.append(self.coolant)
        c["oil"], c["way_oil"], c["coolant"] = np.array(oil), np.array(way), np.array(tank)
        c["pump"] = c["cycle"]

    def _axes(self, c: dict[str, F64], size: Size, rng: np.random.Generator) -> None:
        length = len(c["power"])
        for axis, base in LOADS.items():
            c[f"load_{axis}"] = base * (0.35 + 0.65 * c["cycle"] * np.maximum(c["share"], 0.9))
            c[f"load_{axis}"] += rng.normal(0, 1.2, length)
        c["load_y"] *= 1 + 0.9 * (size("axis-unlike") > 0)

    def _sampled(
        self, c: dict[str, F64], size: Size, start_us: int, n: int, rng: np.random.Generator
    ) -> Rows:
        out: list[Rows] = []
        on = c["power"] > 0
        cut = np.zeros(len(on), bool)
        if n == POWER_CUT[0]:
            cut[POWER_CUT[1] : POWER_CUT[2]] = True
        noise = {"room": 0.05, "supply": 0.05, "upper": 0.08, "lower": 0.08, "pressure": 0.02,
                 "flow": 0.1, "way_oil": 0.1, "coolant": 0.15, "vibration": 0.03,
                 "hydraulic": 0.1, "speed": 1.0}  # fmt: skip
        for s in self.machine.signals:
            if s.name not in c or s.name == "load_x":
                continue
            values = c[s.name] + noise.get(s.name, 0.0) * rng.standard_normal(len(on))
            if s.name == "speed":
                values = np.maximum(np.rint(values) * (c["speed"] > 0), 0)
            if s.kind == "measure":
                seconds = np.arange(len(on)) * 60.0 + s.index % 50
                send = ~cut & (on if s.fed_by else True)
                values = self._spoilt(s.name, np.round(values, 2), size)
                send &= ~((size("sensor-silent") > 0) & (s.name == "coolant"))
            else:
                seconds, send = self._changes(s, values, cut)
            out.append(rows_of(s, start_us, seconds[send], values[send]))
        named = {s.name: s for s in self.machine.signals}
        out += self._seldom(named, c, size, start_us, n, cut, rng)
        return tuple(np.concatenate(column) for column in zip(*out, strict=True))  # type: ignore[return-value]

    def _changes(self, s: Signal, values: F64, cut: rec.Flags) -> tuple[F64, rec.Flags]:
        before = np.concatenate([[self.sent.get(s.name, np.nan)], values[:-1]])
        self.sent[s.name] = float(values[-1])
        back = np.diff(cut.astype(int), prepend=0) < 0  # a gateway tells every state anew
        return np.arange(len(values)) * 60.0 + 2, ((values != before) | back) & ~cut

    def _spoilt(self, name: str, values: F64, size: Size) -> F64:
        """What faulty sensors make of their values."""
        rng = np.random.default_rng([self.seed, len(name), round(float(values[0]) * 100) % 997])
        if name == "upper":
            values = np.where(size("sensor-stuck") > 0, 31.37, values)
            values = np.where(size("sensor-unusable") > 0, -127.0, values)
            values = values + 2.5 * size("sensor-drift")
        if name == "room":
            values = values + np.round(rng.normal(0, 1.2, len(values)), 2) * (
                size("sensor-noisy") > 0
            )
            values = np.where((size("sensor-spikes") > 0) & (rng.random(len(values)) < 0.3),
                              300.0, values)  # fmt: skip
        return values

    def _seldom(
        self, named: dict[str, Signal], c: dict[str, F64], size: Size, start_us: int, n: int,
        cut: rec.Flags, rng: np.random.Generator,
    ) -> list[Rows]:  # fmt: skip
        """Compressors, door, probe, strokes, one axis: what does not come by the minute."""
        out = []
        on = (c["power"] > 0) & ~cut
        if "position_x" in named:
            out += self._travel(named, c, on, size("axis-zone") > 0, start_us, rng)
        if "compressor" in named:
            minutes = np.flatnonzero(on)
            fast = size("chiller-short-cycling")[minutes] > 0
            slow = minutes[~fast & (minutes % 6 == 0)] * 60.0
            quick = minutes[fast] * 60.0
            ons = np.concatenate([slow, quick, quick + 30])
            offs = np.concatenate([slow + 120, quick + 15, quick + 45])
            out.append(_edges(named["compressor"], start_us, ons, offs))
        if "net" in named:
            sixes = np.flatnonzero(~cut)[::6]
            share = np.where(c["power"][sixes] > 0, 0.45, 0.11) + 0.3 * (
                size("compressor-load")[sixes] > 0
            )
            out.append(_edges(named["net"], start_us, sixes * 60.0, sixes * 60.0 + 360 * share))
        if "closed" in named:
            out += self._door(named, c, size, start_us, rng)
        if "probe" in named:
            for minute in (7 * 60 + 10, 12 * 60 + 40):
                if on[minute]:
                    value = 1.2 * rng.standard_normal() + 14 * float(size("probe-shift")[minute])
                    out.append(rows_of(named["probe"], start_us, np.array([minute * 60.0]),
                                     np.array([value])))  # fmt: skip
        if "stroke" in named:
            for minute in range(7 * 60, 18 * 60, 120):
                if on[minute]:
                    way = np.linspace(0, 1, 64)
                    trace = 18 + 6 * np.sin(way * 3.14) + 0.3 * rng.standard_normal(64)
                    trace += (
                        14
                        * float(size("axis-trace")[minute] > 0)
                        * np.exp(-(((way - 0.7) / 0.07) ** 2))
                    )
                    seconds = minute * 60 + np.arange(64) * 0.05
                    out.append(rows_of(named["stroke"], start_us, seconds, trace))
        return out + self._events(named, c, size, start_us)

    def _travel(
        self, named: dict[str, Signal], c: dict[str, F64], on: rec.Flags, dent: rec.Flags,
        start_us: int, rng: np.random.Generator,
    ) -> list[Rows]:  # fmt: skip
        """Position and load of the x axis, three times a minute."""
        place = np.repeat(np.arange(len(on)), 3)
        seconds = np.arange(len(place)) * 20.0 + 1
        position = c["cycle"][place] * rng.uniform(-140, 140, len(place))
        load = c["load_x"][place] * (1 + 0.9 * (dent[place] & (position > 20) & (position < 60)))
        send = on[place]
        return [
            rows_of(named["position_x"], start_us, seconds[send], position[send]),
            rows_of(named["load_x"], start_us, seconds[send], load[send]),
        ]

    def _door(
        self, named: dict[str, Signal], c: dict[str, F64], size: Size, start_us: int,
        rng: np.random.Generator,
    ) -> list[Rows]:  # fmt: skip
        moves = np.diff(c["open"], prepend=0.0)
        opens, closes = np.flatnonzero(moves > 0) * 60.0, np.flatnonzero(moves < 0) * 60.0
        again = rng.random(len(closes)) < 0.7 * (size("door-latch")[(closes / 60).astype(int)] > 0)
        took = 0.8 + 0.03 * rng.standard_normal(len(closes))
        shut = np.concatenate([closes, closes[again] + 5])
        opened = np.concatenate([opens, closes[again] + 2.5])
        latched = np.where(again, closes + 5 + took, closes + took)
        return [
            _edges(named["closed"], start_us, shut, opened),
            _edges(named["latched"], start_us, latched, opens - 0.5),
        ]

    def _events(
        self, named: dict[str, Signal], c: dict[str, F64], size: Size, start_us: int
    ) -> list[Rows]:
        """A crash, at a second in the middle of a cut; a valve word that hangs."""
        crash = np.flatnonzero(np.diff(size("hard-stop"), prepend=0.0) > 0)
        if not len(crash) or "load" not in named:
            return []
        second = np.array([crash[0] * 60.0 + 55])
        return [
            rows_of(named["load"], start_us, second, np.array([190.0])),
            rows_of(named["speed"], start_us, second + 0.4, np.array([0.0])),
        ]


def rows_of(s: Signal, start_us: int, seconds: F64, values: F64) -> Rows:
    at = start_us + np.rint(seconds * SECOND_US).astype(np.int64)
    return at, np.full(len(at), rec.NO_TIME), np.full(len(at), s.index), np.asarray(values, float)


def _edges(s: Signal, start_us: int, ons: F64, offs: F64) -> Rows:
    seconds = np.concatenate([ons, offs])
    values = np.concatenate([np.ones(len(ons)), np.zeros(len(offs))])
    return rows_of(s, start_us, seconds, values)
