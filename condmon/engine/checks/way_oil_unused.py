"""The machine runs and its way oil does not go down: no oil reaches the guides.

Twelve hours of running that use less than a fifth of what is usual cannot be: a pump that does not
pump, a blocked filter or a stuck float (common practice, no source).
"""

from typing import Any, ClassVar, Self

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Said, first
from condmon.engine.checks.slow import Slow, Verdict
from condmon.engine.minutely import Minutely
from condmon.engine.oiluse import OilUse
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import number, shown

STRETCHES = 3  # of four hours
LEAST = 0.2  # percent an hour: where less than that is usual, nothing can be told


class WayOilUnused(Slow):
    """Needs `way_oil_level` and `cycle_running` or `power`."""

    id = "way-oil-unused"
    sees = "way oil not going down although the machine runs"
    urgency = "today"
    release_s = 3600.0
    figures: ClassVar[dict[str, float]] = {"share_of_usual": 0.2}
    title = "way oil is not used although the machine runs"
    why = "Guides and ball screws run dry; the damage comes long before an alarm."
    look_first = (
        "Does the lubrication pump run, does its gauge move at a dose?",
        "Filter of the pump, air in the line, wrong oil.",
        "Is the float stuck? Look into the tank.",
    )
    caution = LOCKOUT

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._use = OilUse()

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a tank."""
        level = first(machine, "way_oil_level")
        if not level:
            return ""
        if not (first(machine, "cycle_running") or first(machine, "power")):
            return "a program or power state (role cycle_running or power)"
        return [cls(settings, machine, (level,))]

    def learn(self, part: Minutely) -> None:
        """Follow the level through the minutes of running."""
        running = self.all_on(part, "cycle_running") & self.all_on(part, "power")
        levels = self.mean(part, self.signals[0])
        for level, runs in zip(levels.tolist(), running.tolist(), strict=True):
            self._use.push(level, running=runs)

    def judge(self) -> Verdict:
        """Hardly any use over the last stretches of running."""
        now, usual = self._use.now(STRETCHES), self._use.usual()
        if now != now or usual != usual:
            return logic.UNKNOWN, []
        unused = usual >= LEAST and now < usual * self.figure["share_of_usual"]
        return logic.TRUE if unused else logic.FALSE, [now, usual]

    def renew(self) -> None:
        """Begin a new base."""
        self._use = OilUse()

    def say(self, block: Block, row: int, since: int) -> Said:
        """Use now against the usual one."""
        now, usual = self.facts(row)
        unit = shown(self.signals[0].unit)
        return Said(
            f"In {4 * STRETCHES} hours of running {self.signals[0].label()} fell by "
            f"{number(max(now, 0.0) * 4 * STRETCHES, 2)}{unit}; "
            f"{number(usual * 4 * STRETCHES, 2)}{unit} is usual.",
            "The guides wear dry; the position suffers, then the drive stops.",
            {"use_per_h": now, "usual": usual},
        )

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {**super().state(), "use": self._use.state()}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        super().load(state)
        self._use.load(state["use"])
