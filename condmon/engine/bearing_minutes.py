"""A bearing's minutes out of ticks: temperature, what is around it, speed and heat. Pure."""

from typing import Any, NamedTuple

import numpy as np

from condmon.engine.block import Block
from condmon.engine.minutes import MINUTE_S, Minutes
from condmon.engine.records import F64
from condmon.engine.settings import Machine, Signal
from condmon.engine.thermal import BearingModel, Minute, heat_column


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
        self._names = [
            bearing.name,
            *(
                found[0].name if (found := machine.by_role(role)) else ""
                for role in (
                    "room_temperature", "coolant_supply_temperature", "spindle_speed", "power"
                )
            ),
        ]  # fmt: skip
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
        temp, room, supply, speed, power = (
            block.value_of(name) if name else np.full(block.n, np.nan) for name in self._names
        )
        off = np.where(power < 0.5, 1.0, 0.0)
        turns = np.where(off > 0.0, 0.0, np.abs(speed))
        heat = np.full(block.n, np.nan) if self.model is None else heat_column(turns, self.model)
        return np.stack([temp, room, supply, turns, heat, off], axis=1)

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return self._minutes.state()

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        self._minutes.load(state)
