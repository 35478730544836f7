"""After power-off the air left in the machine escapes faster than it used to.

Shut off from the net, a machine is a vessel: its pressure falls by its own leaks alone. Measured
from ten minutes after power-off, when the purge is over, as the share lost within half an hour.
Ten points more than usual is beyond a gauge and a change of room temperature (common practice, no
source). Where the net stays on nothing is lost, and the check stays silent.
"""

from typing import Any, ClassVar, Self

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Said, first
from condmon.engine.checks.slow import NOT_YET, Slow, Verdict
from condmon.engine.minutely import Minutely
from condmon.engine.past import middle
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import number

FROM_MIN, FOR_MIN = 10, 30
TIMES, READY = 5, 3
LEAST_BAR = 2.0


class AirBleedDown(Slow):
    """Needs `air_pressure` and `power`."""

    id = "air-bleed-down"
    sees = "the machine's air pressure falling faster after power-off than usual"
    urgency = "note"
    figures: ClassVar[dict[str, float]] = {"more_share": 0.1}
    title = "the machine loses its air faster after power-off"
    why = "The same leak takes air all day; at night it only becomes visible."
    look_first = (
        "Listen at the machine right after power-off: cylinders, valves, couplings.",
        "The maintenance unit's drain and the shut-off valve.",
    )
    caution = "Never feel for a leak with the hand. " + LOCKOUT

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.lists["off"] = [0.0, 0.0]  # minutes since power-off, pressure after FROM_MIN of them
        self.lists["lost"] = []  # share lost, of the first times
        self.lists["last"] = []

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a machine."""
        air, power = first(machine, "air_pressure"), first(machine, "power")
        if not air:
            return ""
        if not power:
            return "a power signal (role power)"
        return [cls(settings, machine, (air, power))]

    def learn(self, part: Minutely) -> None:
        """Follow one power-off after the other."""
        off = self.all_off(part, "power")
        run, began = self.lists["off"]
        for i, value in enumerate(self.mean(part, self.signals[0]).tolist()):
            run = run + 1 if off[i] and value == value else 0.0
            if run == FROM_MIN:
                began = value
            elif run == FROM_MIN + FOR_MIN and began > LEAST_BAR:
                lost = max(1 - value / began, 0.0)
                self.lists["last"] = [lost]
                if len(self.lists["lost"]) < TIMES:
                    self.lists["lost"] = [*self.lists["lost"], lost]
        self.lists["off"] = [run, began]

    def judge(self) -> Verdict:
        """Compare the last power-off with the first ones."""
        if len(self.lists["lost"]) < READY or not self.lists["last"]:
            return NOT_YET
        now, usual = self.lists["last"][0], middle(self.lists["lost"])
        return logic.TRUE if now > usual + self.figure["more_share"] else logic.FALSE, [now, usual]

    def renew(self) -> None:
        """Begin a new base."""
        self.lists["lost"], self.lists["last"] = [], []

    def say(self, block: Block, row: int, since: int) -> Said:
        """Share lost in half an hour, against the usual one."""
        now, usual = self.facts(row)
        return Said(
            f"Within {FOR_MIN} min after power-off and purge {number(100 * now)} % of the "
            f"pressure was lost; {number(100 * usual)} % is usual.",
            "It grows and costs air until someone finds it; nothing stops.",
            {"lost_share": round(now, 3), "usual": round(usual, 3)},
        )
