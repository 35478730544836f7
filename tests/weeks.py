"""Eight weeks of a shop of three machines, by the minute: what tests/test_shop_weeks.py pushes.

Coarser than the simulated shop of condmon.plant and a hundred times as fast: each machine is made a
day at a time in columns. In the weeks are spring and its warming room, weekends, night runs, new
products every week, warm-ups, a holiday, a change of filters, a change to summer time and a power
cut in which condmon itself is off. All figures are invented.
"""

from collections.abc import Iterator
from datetime import datetime, timedelta

import numpy as np

from condmon.clock import SiteCalendar
from condmon.engine import records as rec
from condmon.engine.records import F64, I64, SECOND_US, Action, Beacon, Health, Link, Record
from condmon.engine.settings import Machine, Settings, Signal
from tests.engine.builders import signal
from tests.weekbody import DAY_MIN, FILTERS, POWER_CUT, START, ZONE, Body, Trouble, size_of

FULL = (
    ("power", "power", {}),
    ("cycle", "cycle_running", {}),
    ("speed", "spindle_speed", {"fed_by": "power"}),
    ("load", "spindle_load", {"fed_by": "power"}),
    ("upper", "bearing_temperature", {"trip": 60.0, "place": "upper"}),
    ("lower", "bearing_temperature", {"trip": 60.0, "place": "lower"}),
    ("room", "room_temperature", {}),
    ("supply", "coolant_supply_temperature", {"setpoint": 22.0}),
    ("compressor", "compressor_running", {}),
    ("valve", "air_valve", {}),
    ("flow", "air_flow", {}),
    ("pressure", "air_pressure", {}),
    ("oil", "oil_pulses", {"every_s": 480.0, "width_bits": 16}),
    ("hydraulic", "hydraulic_pressure", {"fed_by": "power"}),
    ("way_oil", "way_oil_level", {}),
    ("coolant", "coolant_level", {}),
    ("pump", "pump_running", {}),
    ("closed", "door_closed", {}),
    ("latched", "door_latched", {}),
    ("vibration", "vibration_velocity", {"fed_by": "power"}),
    ("probe", "probe_offset", {}),
    *((f"load_{a}", "axis_load", {"axis": a, "fed_by": "power"}) for a in "xyz"),
    ("position_x", "axis_position", {"axis": "x", "fed_by": "power"}),
    ("stroke", "axis_trace", {"axis": "x"}),
)
NET = ("net", "compressor_running", {"place": "air"})
FEW = ("power", "speed", "upper", "flow", "room")
"""The lathe has these cheap sensors alone."""


def settings() -> Settings:
    """The shop as the engine is told of it."""
    machines, start = [], 0
    for name, label in (("mill-1", "Five-axis mill"), ("mill-2", "Mill"), ("lathe-3", "Lathe")):
        parts = [p for p in FULL if name != "lathe-3" or p[0] in FEW]
        parts += [NET] if name == "mill-1" else []
        signals: tuple[Signal, ...] = tuple(
            signal(start + i, name, *part[:2], **part[2]) for i, part in enumerate(parts)
        )
        machines.append(Machine(name, label, signals))
        start += len(signals)
    nights = [(d * 1440 + 20 * 60, d * 1440 + 30 * 60) for d in range(4)]
    unattended = (*nights, (4 * 1440 + 20 * 60, 7 * 1440), (0, 6 * 60))
    return Settings(
        "Pier", SiteCalendar("Europe/Oslo"), tuple(machines), (), unattended, digest="weeks"
    )


class Shop:
    """Makes the records of one day after the other."""

    def __init__(self, shop: Settings, seed: int, troubles: tuple[Trouble, ...] = ()) -> None:
        self.settings, self._troubles = shop, troubles
        self._bodies = [Body(machine, seed + i) for i, machine in enumerate(shop.machines)]
        self._now_us = 0

    def day(self, n: int) -> Iterator[Record]:
        """Records of a local day, in order of time."""
        midnight = datetime.combine(START + timedelta(n), datetime.min.time(), ZONE)
        start_us = round(midnight.timestamp()) * SECOND_US
        length_min = round(((midnight + timedelta(1)).astimezone(ZONE).timestamp()
                            - midnight.timestamp()) / 60)  # fmt: skip
        rows = [b.day(n, start_us, length_min, self._of(b.machine.id)) for b in self._bodies]
        whole = [np.concatenate(column) for column in zip(*rows, strict=True)]
        order = np.argsort(whole[0], kind="stable")
        at, own, index, value = (column[order] for column in whole)
        for second in range(0, length_min * 60, 300):
            begin = start_us + second * SECOND_US
            minute = second // 60
            if n == POWER_CUT[0] and POWER_CUT[1] <= minute < POWER_CUT[2]:
                continue  # condmon is off with everything else
            a, b = np.searchsorted(at, [begin, begin + 300 * SECOND_US]).tolist()
            if self._cut_off(n * DAY_MIN + minute):
                a = b  # the link is down: nothing reaches condmon
            yield from self._itself(begin, n * DAY_MIN + minute)
            yield _samples(index[a:b], at[a:b], own[a:b], value[a:b])
            yield Beacon(begin + 300 * SECOND_US)
        if n == FILTERS:
            yield Action(start_us + 80_000 * SECOND_US, "note", "kim", machine="mill-1",
                         text="filters of chiller and air changed")  # fmt: skip

    def _of(self, machine: str) -> dict[str, Trouble]:
        return {t.check: t for t in self._troubles if t.machine == machine}

    def _cut_off(self, minute: int) -> bool:
        return bool(size_of(self._of("condmon"), "condmon-link", np.array([minute]))[0] > 0)

    def _itself(self, at_us: int, minute: int) -> Iterator[Record]:
        """How condmon fares: a disk that fills, a link that is lost."""
        mine = self._of("condmon")
        if "condmon-health" in mine:
            share = 0.4 - 0.39 * float(size_of(mine, "condmon-health", np.array([minute]))[0] > 0)
            yield Health(at_us, "disk_free_share", share)
        if self._cut_off(minute - 5) != self._cut_off(minute):
            yield Link(at_us, up=not self._cut_off(minute))


def _samples(index: I64, at: I64, own: I64, value: F64) -> rec.Samples:
    n = len(at)
    return rec.Samples(
        index.astype(np.int32), at.astype(np.int64), own.astype(np.int64), value,
        np.zeros(n, np.uint8), np.zeros(n, np.uint16), np.zeros(n, np.uint8),
    )  # fmt: skip
