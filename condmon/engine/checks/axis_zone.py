"""Load or following error of an axis has risen in one zone of its travel and nowhere else.

The travel is parted into sixteen zones, each direction by itself, since friction and weight differ
between the two. A zone is compared with the change of all others, because a faster or heavier
program changes them all. 1.4 times their change, and four standard errors, is beyond the scatter of
three hours of movement (common practice, no source).
"""

from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Marks, Said
from condmon.engine.expression import Pair
from condmon.engine.past import middle
from condmon.engine.settings import Machine, Settings, Signal
from condmon.engine.words import changed, number, shown
from condmon.engine.zones import ZONES, Zones

TEN_S = 600
FEWEST, FEW_BASE = 10, 40
ERRORS = 4.0
OTHERS = 6
LEAST = {"axis_load": 2.0, "axis_following_error": 0.5}


class AxisZone(Check):
    """Needs `axis_position` and `axis_load` or `axis_following_error` of the same `axis`."""

    id = "axis-zone"
    sees = "load or following error of an axis risen in one zone of its travel"
    urgency = "note"
    hold_s = 1800.0
    release_s = 7200.0
    figures: ClassVar[dict[str, float]] = {"times_others": 1.4}
    title = "an axis works harder in one place of its travel"
    why = (
        "Damage in one place, a dent in a guide, a worn stretch of the screw, chips under a "
        "cover, shows as load or lag in that zone long before it shows everywhere."
    )
    look_first = (
        "With the door shut, move the axis slowly by hand wheel through this zone and listen.",
        "Covers and wipers there: chips, a bent sheet?",
        "Does it come with the screw (always here) or with the job (always this program)?",
    )
    caution = "A vertical axis can fall when its brake is loosened. " + LOCKOUT

    def __init__(self, settings: Settings, machine: Machine, signals: tuple[Signal, ...]) -> None:
        super().__init__(settings, machine, signals, signals[0].name)
        self._zones = Zones()
        self._verdict = logic.UNKNOWN
        self._known = Marks([])

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check for each load and following error that has a position beside it."""
        positions = {s.axis: s for s in machine.by_role("axis_position") if s.axis}
        values = [s for role in LEAST for s in machine.by_role(role)]
        if values and not positions:
            return "the position of an axis (role axis_position, with its axis)"
        return [
            cls(settings, machine, (s, positions[s.axis])) for s in values if s.axis in positions
        ]

    def renew(self) -> None:
        """What is usual in each zone begins anew."""
        self._zones, self._verdict = Zones(), logic.UNKNOWN

    def push(self, block: Block) -> Pair:
        """The verdict at each tick, as of the last ten minutes that were over."""
        self._known.begin()
        on = np.full(block.n, self._verdict, np.int8)
        value = block.value_of(self.signals[0].name)
        position = block.value_of(self.signals[1].name)
        if block.blind_s:
            self._zones.jump()
        start = 0
        while start < block.n:
            tick = block.first + start
            stop = min(start + TEN_S - tick % TEN_S, block.n)
            self._zones.push(tick, position[start:stop], value[start:stop])
            if (block.first + stop) % TEN_S == 0:
                self._verdict, facts = self._judge()
                on[stop - 1 :] = self._verdict
                self._known.add(stop - 1, facts)
                self._zones.ten_over()
            start = stop
        return Pair(on, on)

    def _judge(self) -> tuple[int, list[float]]:
        """One zone against all others."""
        means = self._zones.means(FEW_BASE, FEWEST)
        if means is None:
            return logic.UNKNOWN, []
        base, now, error = means
        change = now / base
        known = np.flatnonzero(~np.isnan(change))
        if len(known) < OTHERS:
            return logic.UNKNOWN, []
        others = middle(change[known].tolist())
        beyond = now - base * others  # more than the change of all zones explains
        high = (change > others * self.figure["times_others"]) & (beyond > ERRORS * error)
        high &= beyond > LEAST[self.signals[0].role or ""]
        worst = int(known[np.argmax(np.where(high[known], beyond[known], -np.inf))])
        zone = 0 < high.sum() * 3 <= len(known)
        low_mm, high_mm = self._zones.bounds(worst % ZONES)
        facts = [
            low_mm,
            high_mm,
            float(worst >= ZONES),
            float(change[worst]),
            others,
            float(base[worst]),
            float(now[worst]),
        ]
        return logic.TRUE if zone else logic.FALSE, facts

    def say(self, block: Block, row: int, since: int) -> Said:
        """Where, how much, and what the other zones did."""
        low, high, forth, change, others, base, now = self._known.at(row)
        value, position = self.signals
        unit = shown(position.unit)
        way = "forwards" if forth else "backwards"
        return Said(
            f"{value.label().capitalize()} between {number(low)} and {number(high)}{unit} "
            f"({way}) has changed by {changed(change)}; elsewhere by "
            f"{changed(others)}.",
            "It grows where it is, until position or surface suffers there.",
            {"from": low, "to": high, "before": round(base, 4), "now": round(now, 4)},
            f"{(value.axis or value.name).upper()} axis works harder in one place of its travel",
            (value.name,),
        )

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {"zones": self._zones.state(), "verdict": [self._verdict, self._known.state()]}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._zones.load(state["zones"])
        self._verdict, known = state["verdict"]
        self._known.load(known)
