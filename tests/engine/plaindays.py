"""Plain working days of two small machines, a sample a minute, and what is filed meanwhile."""

import json
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from condmon.clock import SiteCalendar
from condmon.engine import records as rec
from condmon.engine.outputs import Entry, Output
from condmon.engine.records import NO_TIME, SECOND_US, Beacon, Filed, Record, Samples
from condmon.engine.settings import Adjust, Machine, Settings
from tests.engine.builders import signal

DAY_S = 86_400
DAY_US = DAY_S * SECOND_US
T0_US = 20_700 * DAY_US  # midnight UTC
EVERY_S = 60
WORK = (6, 22)  # hours switched on
TURNS = (7, 21)  # hours in which the spindle turns at times: 45 minutes of each
TURNING_H = 0.75 * (TURNS[1] - TURNS[0])
ON_H = WORK[1] - WORK[0]
CHANGES = TURNS[1] - TURNS[0]  # tool changes and door cycles a day

PARTS = (("power", "power"), ("speed", "spindle_speed"), ("clamped", "tool_clamped"),
         ("closed", "door_closed"))  # fmt: skip


def machine(name: str, start: int) -> Machine:
    signals = tuple(
        replace(signal(start + i, name, part, role), stale_after_s=None, debounce_s=0.0)
        for i, (part, role) in enumerate(PARTS)
    )
    quiet = {check: Adjust(enabled=False) for check in ("sensor-stuck", "unattended-stop")}
    return Machine(name, name.title(), signals, adjust=quiet)


def settings(count: int = 2) -> Settings:
    """Machines of the same kind."""
    machines = tuple(machine(f"mill-{i + 1}", i * len(PARTS)) for i in range(count))
    return Settings("North Pier Optics", SiteCalendar("Europe/Oslo"), machines, digest="plain")


def day(number: int, shop: Settings) -> list[Record]:
    """One day: an hour's samples and four beacons, twenty-four times."""
    out: list[Record] = []
    for hour in range(24):
        out += _hour(T0_US + number * DAY_US + hour * 3600 * SECOND_US, hour, len(shop.machines))
    return out


def _hour(start_us: int, hour: int, machines: int) -> list[Record]:
    minute = np.arange(60)
    on = WORK[0] <= hour < WORK[1]
    turning = (TURNS[0] <= hour < TURNS[1]) & (minute >= 10) & (minute < 55)
    change = (minute == 5) & (TURNS[0] <= hour < TURNS[1])
    columns = (np.full(60, float(on)), np.where(turning, 8000.0, 0.0), 1.0 - change, 1.0 - change)
    value = np.tile(np.stack(columns, axis=1), machines)  # (60, signals)
    k = value.shape[1]
    at = start_us + np.repeat(minute, k) * EVERY_S * SECOND_US
    n = len(at)
    run = Samples(
        np.tile(np.arange(k, dtype=np.int32), 60),
        at.astype(np.int64),
        np.full(n, NO_TIME, np.int64),
        value.reshape(-1),
        np.full(n, rec.GOOD, np.uint8),
        np.zeros(n, np.uint16),
        np.zeros(n, np.uint8),
    )
    out: list[Record] = []
    for quarter in range(4):  # a beacon a little after each quarter: blocks end anywhere
        out.append(run.cut(quarter * n // 4, (quarter + 1) * n // 4))
        out.append(Beacon(start_us + ((quarter + 1) * 900 - 41) * SECOND_US))
    return out


def filed(at_us: int, what: str, key: str, machine: str = "mill-1", **content: object) -> Filed:
    return Filed(at_us, machine, what, "kim", key, json.dumps(content))


def task(at_us: int, **more: object) -> Filed:
    return filed(at_us, "task", "oil", title="Change the oil", sort="service", **more)


def begins_us(day: Sequence[Record]) -> int:
    return min(int(r.arrived_us[0]) for r in day if isinstance(r, Samples) and len(r))


def ends_us(day: Sequence[Record]) -> int:
    return max(int(r.arrived_us[-1]) for r in day if isinstance(r, Samples) and len(r))


def told(outputs: Sequence[Output]) -> list[str]:
    return [o.text for o in outputs if isinstance(o, Entry) and o.kind == "service"]
