"""Usage counters of one machine: hours, starts, cycles, travel and air, as exact whole numbers.

Pure. Amounts are counted in millionths, so that sums are the same in any grouping and survive a
restart to the last digit. Travel adds the steps between neighbouring readings of a position: what
an axis does between two readings is not seen.
"""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from condmon.engine.block import Block
from condmon.engine.duty import TURNING_MIN, names
from condmon.engine.logic import Column
from condmon.engine.records import I64
from condmon.engine.rolling import COUNT_MAX
from condmon.engine.servicebook.life import LOAD_BAND
from condmon.engine.settings import Machine, Signal

BAND = 1000
"""Width of a speed band, in 1/min: fine enough for wear, and thousands read at a glance."""
ZONE = 50
"""Length of a zone of travel, in the unit of the position: sixteen or so on a usual axis."""
WARM_BAND = 5
"""Width of a temperature band, in the unit of the bearing temperature (degrees Celsius)."""
LOAD_TOP = 200
"""All beyond counts as this much."""
MICRO = 1_000_000
HOUR_S = 3600
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
        self._load = _first(machine, "spindle_load")
        self._bearings = machine.by_role("bearing_temperature")
        self._last: dict[str, float] = {}
        self._at: dict[str, float] = {}  # position of each axis
        self._seconds: dict[str, int] = {}  # by duty
        self._bands: dict[str, int] = {}  # seconds by speed band
        self._counts: dict[str, int] = {}
        self._travel: dict[str, dict[str, int]] = {}  # axis -> zone -> millionths
        self._warm: dict[str, dict[str, int]] = {}  # bearing -> band -> seconds
        self._turns: dict[str, int] = {}  # band of load -> millionths of a turn

    def walk(self, block: Block, stops: Sequence[int]) -> Iterator[int]:
        """Count a block; stop at each row that ends an hour, with all counted up to there.

        `stops` are the rows at which a hard stop was raised.
        """
        first = -(-(block.first + 1) // HOUR_S) * HOUR_S - block.first
        ends = list(range(first, block.n + 1, HOUR_S))
        start = 0
        for stop in ends:
            self.push(block.part(start, stop), sum(start <= row < stop for row in stops))
            start = stop
            yield stop - 1
        if start < block.n:
            self.push(block.part(start, block.n), sum(row >= start for row in stops))

    def push(self, block: Block, hard_stops: int) -> None:
        """Count the ticks of a block, after its duty is set."""
        codes, ticks = np.unique(block.duty, return_counts=True)
        for code, count in zip(codes.tolist(), ticks.tolist(), strict=True):
            _add(self._seconds, self._duties[code] if code >= 0 else "unknown", count)
        for name, signal in self._states:
            self._rise(name, block.value_of(signal.name))
        if self._speed:
            self._spin(block.value_of(self._speed.name))
            self._turn(block)
        if self._air:
            flow = np.nan_to_num(np.maximum(block.value_of(self._air.name), 0.0))
            litres = int(np.rint(flow * (MICRO / SECONDS_A_MINUTE)).astype(np.int64).sum())
            _add(self._counts, "air_micro", litres)
        if self._energy:
            moved = block.increase_of(self._energy.name)
            moved = moved[np.abs(moved) <= COUNT_MAX]
            _add(self._counts, "energy_micro", int(np.rint(moved * MICRO).astype(np.int64).sum()))
        for axis in self._axes:
            self._move(axis, block)
        for bearing in self._bearings:
            known = block.value_of(bearing.name)
            band = np.floor(known[~np.isnan(known)] / WARM_BAND).astype(np.int64) * WARM_BAND
            _tally(self._warm.setdefault(bearing.name, {}), band)
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
        _tally(self._bands, (turning // BAND).astype(np.int64) * BAND)

    def _turn(self, block: Block) -> None:
        """Turns by band of load; all in the lowest where the load is not known."""
        assert self._speed is not None
        speed = np.abs(block.value_of(self._speed.name))
        rows = np.flatnonzero(speed > 0)
        if not len(rows):
            return
        turns = np.rint(speed[rows] * (MICRO / SECONDS_A_MINUTE)).astype(np.int64)
        load = np.abs(block.value_of(self._load.name)[rows]) if self._load else np.zeros(len(rows))
        load = np.minimum(np.nan_to_num(load), LOAD_TOP)
        band = (load // LOAD_BAND).astype(np.int64) * LOAD_BAND
        for of in np.unique(band).tolist():
            _add(self._turns, str(of), int(turns[band == of].sum()))

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
        ``travel`` by axis and lower end of each zone, in the unit of the position; ``warm_s`` by
        bearing and lower end of each band of temperature, ``turns`` by band of spindle load (%).
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
        out["warm_s"] = {
            bearing: {int(band): ticks for band, ticks in sorted(bands.items(), key=_low)}
            for bearing, bands in self._warm.items()
        }
        out["turns"] = {int(b): n / MICRO for b, n in sorted(self._turns.items(), key=_low)}
        return out

    def flat(self) -> dict[str, int]:
        """All counters as whole numbers by one name each, for lives and tasks."""
        out = {f"duty_s:{name}": n for name, n in self._seconds.items()}
        out |= {f"speed_s:{name}": n for name, n in self._bands.items()}
        out |= {f"turns_micro:{name}": n for name, n in self._turns.items()}
        out |= self._counts
        for word, table in (("travel_micro", self._travel), ("warm_s", self._warm)):
            for of, parts in table.items():
                out |= {f"{word}:{of}:{name}": n for name, n in parts.items()}
        return out

    def put(self, flat: dict[str, int]) -> None:
        """Go on from counters that `flat` gave, under whatever configuration."""
        self._seconds, self._bands, self._turns, self._counts = {}, {}, {}, {}
        self._travel, self._warm = {}, {}
        simple = {"duty_s": self._seconds, "speed_s": self._bands, "turns_micro": self._turns}
        nested = {"travel_micro": self._travel, "warm_s": self._warm}
        for name, amount in flat.items():
            word, _, rest = name.partition(":")
            if word in simple:
                simple[word][rest] = amount
            elif word in nested:
                of, _, part = rest.rpartition(":")
                nested[word].setdefault(of, {})[part] = amount
            else:
                self._counts[name] = amount

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "last": [self._last, self._at],
            "counts": self.flat(),
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._last, self._at = state["last"]
        self.put(state["counts"])


def _first(machine: Machine, role: str) -> Signal | None:
    found = machine.by_role(role)
    return found[0] if found else None


def _low(pair: tuple[str, int]) -> int:
    return int(pair[0])


def _tally(counts: dict[str, int], bands: I64) -> None:
    """One for each value, under its band."""
    found, ticks = np.unique(bands, return_counts=True)
    for band, count in zip(found.tolist(), ticks.tolist(), strict=True):
        _add(counts, str(band), count)


def _add(counts: dict[str, int], name: str, amount: int) -> None:
    counts[name] = counts.get(name, 0) + amount
