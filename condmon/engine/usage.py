"""Usage counters of one machine: hours, starts, cycles, travel and air, as exact whole numbers.

Pure. Amounts are counted in millionths, so that sums are the same in any grouping and survive a
restart to the last digit. Travel adds the steps between neighbouring readings of a position: what
an axis does between two readings is not seen.
"""

from typing import Any

import numpy as np

from condmon.engine.block import Block
from condmon.engine.duty import TURNING_MIN, names
from condmon.engine.logic import Column
from condmon.engine.settings import Machine, Signal

BAND = 1000
"""Width of a speed band, in 1/min: fine enough for wear, and thousands read at a glance."""
ZONE = 50
"""Length of a zone of travel, in the unit of the position: sixteen or so on a usual axis."""
MICRO = 1_000_000
SECONDS_A_MINUTE = 60

RISES = (  # name, role: each change of the state to true counts one
    ("power_ons", "power"),
    ("program_runs", "cycle_running"),
    ("tool_changes", "tool_clamped"),
    ("door_cycles", "door_closed"),
    ("chiller_starts", "compressor_running"),
)


class Usage:
    """Carried: the counts, the last state of each switch, the last position of each axis."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._duties = names(machine)
        self._states = [
            (name, found[0])
            for name, role in RISES
            for found in [[s for s in machine.by_role(role) if s.place != "air"]]
            if found
        ]
        self._speed = _first(machine, "spindle_speed")
        self._air = _first(machine, "air_flow")
        self._axes = machine.by_role("axis_position")
        self._energy = _first(machine, "energy")
        self._last: dict[str, float] = {}
        self._at: dict[str, float] = {}  # position of each axis
        self._seconds: dict[str, int] = {}  # by duty
        self._bands: dict[str, int] = {}  # seconds by speed band
        self._counts: dict[str, int] = {}
        self._travel: dict[str, dict[str, int]] = {}  # axis -> zone -> millionths

    def push(self, block: Block, hard_stops: int) -> None:
        """Count the ticks of a block, after its duty is set."""
        codes, ticks = np.unique(block.duty, return_counts=True)
        for code, count in zip(codes.tolist(), ticks.tolist(), strict=True):
            _add(self._seconds, self._duties[code] if code >= 0 else "unknown", count)
        for name, signal in self._states:
            self._rise(name, block.value_of(signal.name))
        if self._speed:
            self._spin(block.value_of(self._speed.name))
        if self._air:
            flow = np.nan_to_num(np.maximum(block.value_of(self._air.name), 0.0))
            litres = int(np.rint(flow * (MICRO / SECONDS_A_MINUTE)).astype(np.int64).sum())
            _add(self._counts, "air_micro", litres)
        if self._energy:
            moved = np.rint(block.increase_of(self._energy.name) * MICRO).astype(np.int64).sum()
            _add(self._counts, "energy_micro", int(moved))
        for axis in self._axes:
            self._move(axis, block)
        if hard_stops:
            _add(self._counts, "hard_stops", hard_stops)

    def _rise(self, name: str, column: Column) -> None:
        """Count changes to true; unknown ticks are passed over."""
        known = column[~np.isnan(column)] > 0.5
        if not len(known):
            return
        before = np.concatenate([[self._last.get(name, 1.0) > 0.5], known[:-1]])
        self._last[name] = float(known[-1])
        rises = int((known & ~before).sum())
        if rises:
            _add(self._counts, name, rises)

    def _spin(self, speed: Column) -> None:
        fast = np.abs(speed)
        self._rise("spindle_starts", np.where(np.isnan(speed), np.nan, fast > TURNING_MIN))
        turning = fast[fast > TURNING_MIN]
        bands, ticks = np.unique((turning // BAND).astype(np.int64), return_counts=True)
        for band, count in zip(bands.tolist(), ticks.tolist(), strict=True):
            _add(self._bands, str(band * BAND), count)

    def _move(self, axis: Signal, block: Block) -> None:
        _, at = block.readings_of(axis.name)
        if not len(at):
            return
        before = np.concatenate([[self._at.get(axis.name, float(at[0]))], at[:-1]])
        self._at[axis.name] = float(at[-1])
        step = np.rint(np.abs(at - before) * MICRO).astype(np.int64)
        zone = np.floor(at / ZONE).astype(np.int64)
        moved = step > 0
        zones, place = np.unique(zone[moved], return_inverse=True)
        sums = np.zeros(len(zones), np.int64)
        np.add.at(sums, place, step[moved])
        by_zone = self._travel.setdefault(axis.axis or axis.name, {})
        for of, amount in zip(zones.tolist(), sums.tolist(), strict=True):
            _add(by_zone, str(of * ZONE), amount)

    def read(self) -> dict[str, Any]:
        """The counts so far.

        ``duty_s`` by duty, ``speed_s`` by the lower end of each speed band (1/min), counts by
        name, ``air_l`` (litres where the flow is in L/min), ``energy`` in the counter's unit,
        ``travel`` by axis and lower end of each zone, in the unit of the position.
        """
        counts = dict(self._counts)
        air, energy = counts.pop("air_micro", 0), counts.pop("energy_micro", 0)
        out: dict[str, Any] = {
            "duty_s": dict(self._seconds),
            "speed_s": {int(band): s for band, s in sorted(self._bands.items(), key=_low)},
            **counts,
        }
        if self._air:
            out["air_l"] = air / MICRO
        if self._energy:
            out["energy"] = energy / MICRO
        out["travel"] = {
            axis: {int(zone): amount / MICRO for zone, amount in sorted(zones.items(), key=_low)}
            for axis, zones in self._travel.items()
        }
        return out

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "last": [self._last, self._at],
            "counts": [self._seconds, self._bands, self._counts, self._travel],
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._last, self._at = state["last"]
        self._seconds, self._bands, self._counts, self._travel = state["counts"]


def _first(machine: Machine, role: str) -> Signal | None:
    found = machine.by_role(role)
    return found[0] if found else None


def _low(pair: tuple[str, int]) -> int:
    return int(pair[0])


def _add(counts: dict[str, int], name: str, amount: int) -> None:
    counts[name] = counts.get(name, 0) + amount
