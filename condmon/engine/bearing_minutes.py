"""A bearing's minutes out of ticks: temperature, what is around it, speed and heat. Pure."""

from typing import Any, NamedTuple

import numpy as np

from condmon.engine.block import Block
from condmon.engine.minutes import MINUTE_S, Means, Minutes
from condmon.engine.records import F64
from condmon.engine.settings import Machine, Signal
from condmon.engine.thermal import BearingModel, Minute, heat_column
from condmon.engine.thermal_lags import EXPONENTS, SPEED_UNIT, History


class Row(NamedTuple):
    """A minute that is over; `row` is the tick of the block at which it is known."""

    row: int
    minute: int
    temp_c: float
    room_c: float
    supply_c: float
    speed: float
    heat: float
    off: float

    def as_minute(self) -> Minute:
        """What a thermal model takes."""
        return Minute(self.minute, self.temp_c, self.room_c, self.supply_c, self.heat, self.off)


class BearingMinutes:
    """Carries the minute that is not over yet.

    Without a thermal model `heat` is NaN; speed is without sign and 0 while the power is off.
    """

    def __init__(self, machine: Machine, bearing: Signal) -> None:
        self._names = _names(machine, bearing)
        self.model: BearingModel | None = None
        self._minutes = Minutes(6)

    @property
    def has_room(self) -> bool:
        """Whether the machine has a room temperature."""
        return bool(self._names[1])

    @property
    def has_supply(self) -> bool:
        """Whether the machine has a coolant supply temperature."""
        return bool(self._names[2])

    def push(self, block: Block) -> list[Row]:
        """The minutes that end in a block."""
        means = self._minutes.push(block.first, self._ticks(block))
        last = (means.minute + 1) * MINUTE_S - 1 - block.first
        return [
            Row(max(row, 0), minute, *value)
            for row, minute, value in zip(
                last.tolist(), means.minute.tolist(), means.value.tolist(), strict=True
            )
        ]

    def _ticks(self, block: Block) -> F64:
        key = (self._names[0], self.model)  # several checks of a bearing ask for the same
        found = block.bearings.get(key)
        if found is None:
            temp, room, supply, turns, off = _columns(block, self._names)
            model = self.model
            heat = np.full(block.n, np.nan) if model is None else heat_column(turns, model)
            found = block.bearings[key] = np.stack([temp, room, supply, turns, heat, off], axis=1)
        return found

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return self._minutes.state()

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        self._minutes.load(state)


class Keeper:
    """Keeps the minutes of a bearing to fit a model to: 70 bytes a minute."""

    def __init__(self, machine: Machine, bearing: Signal) -> None:
        self._names = _names(machine, bearing)
        self._minutes = Minutes(5 + len(EXPONENTS))
        self._kept: list[Means] = []

    def push(self, block: Block) -> None:
        """Take a block."""
        temp, room, supply, turns, off = _columns(block, self._names)
        heats = [np.power(turns / SPEED_UNIT, exponent) for exponent in EXPONENTS]
        ticks = np.stack([temp, room, supply, turns, off, *heats], axis=1)
        means = self._minutes.push(block.first, ticks)
        if len(means.minute):
            self._kept.append(means)

    def history(self) -> History:
        """All minutes so far."""
        none = Means(np.empty(0, np.int64), np.empty((0, 5 + len(EXPONENTS))))
        value = np.concatenate([part.value for part in [none, *self._kept]])
        minute = np.concatenate([part.minute for part in [none, *self._kept]])
        last = np.diff(minute, append=2**62) > 0  # of a minute that a hole cut in two, the end
        minute, value = minute[last], value[last]
        temp, room, supply, turns, off = (value[:, i] for i in range(5))
        return History(minute, temp, room, supply, turns, off, value[:, 5:])


def _names(machine: Machine, bearing: Signal) -> list[str]:
    """Bearing, room, supply, speed and power by name, empty where the machine has none."""
    roles = ("room_temperature", "coolant_supply_temperature", "spindle_speed", "power")
    found = [machine.by_role(role) for role in roles]
    return [bearing.name, *(signals[0].name if signals else "" for signals in found)]


def _columns(block: Block, names: list[str]) -> tuple[F64, F64, F64, F64, F64]:
    """Temperature, room, supply, speed without sign and power off (1 or 0), each (n,)."""
    temp, room, supply, speed, power = (
        block.value_of(name) if name else np.full(block.n, np.nan) for name in names
    )
    off = np.where(power < 0.5, 1.0, 0.0)
    return temp, room, supply, np.where(off > 0.0, 0.0, np.abs(speed)), off
