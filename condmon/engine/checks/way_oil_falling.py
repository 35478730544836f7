"""The way oil is used up faster than usual, or the tank is nearly empty.

Way oil is dosed by time or travel, so that four hours of running use the same as any other four.
Twice the usual over eight hours of running is a broken line or a metering valve that does not shut;
a tenth of the tank left is a day or two of work (common practice, no source).
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

MORE = 0.5  # percent an hour beyond twice the usual: below it a float's scatter decides


class WayOilFalling(Slow):
    """Needs `way_oil_level` and `cycle_running`, `spindle_speed` or `power`."""

    id = "way-oil-falling"
    sees = "way oil low, or used up twice as fast as usual"
    urgency = "today"
    release_s = 3600.0
    figures: ClassVar[dict[str, float]] = {"level_min": 10.0, "times_usual": 2.0}
    title = "way oil goes down too fast"
    why = "Oil that goes astray is missing on the guides, and spoils the coolant it runs into."
    look_first = (
        "A line off its fitting or broken: look along the carriages and under the covers.",
        "Oil floating on the coolant?",
        "Has the dosing been changed?",
    )
    caution = "Slippery floor. " + LOCKOUT

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._use, self.lists["level"] = OilUse(), []

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a tank."""
        level = first(machine, "way_oil_level")
        return [cls(settings, machine, (level,))] if level else ""

    def learn(self, part: Minutely) -> None:
        """Follow the level through the minutes of running."""
        levels = self.mean(part, self.signals[0]).tolist()
        running = self.all_on(part, "cycle_running") & self.all_on(part, "power")
        for level, runs in zip(levels, running.tolist(), strict=True):
            self._use.push(level, running=runs)
        known = [level for level in levels if level == level]
        self.lists["level"] = [*self.lists["level"], *known][-10:]

    def judge(self) -> Verdict:
        """Low, or falling much faster than usual."""
        if len(self.lists["level"]) < 10:
            return logic.UNKNOWN, []
        level = sorted(self.lists["level"])[5]
        now, usual = self._use.now(2), self._use.usual()
        fast = now > usual * self.figure["times_usual"] and now > usual + MORE
        low = level < self.figure["level_min"]
        return logic.TRUE if low or fast else logic.FALSE, [level, now, usual, float(low)]

    def renew(self) -> None:
        """Begin a new base."""
        self._use = OilUse()

    def say(self, block: Block, row: int, since: int) -> Said:
        """Level, or use now against the usual one."""
        level, now, usual, low = self.facts(row)
        unit = shown(self.signals[0].unit)
        what = f"{self.signals[0].label().capitalize()} is at {number(level)}{unit}."
        if now == now and usual == usual:
            what += (
                f" An hour of running uses {number(now, 2)}{unit}; {number(usual, 2)}{unit} is "
                "usual."
            )
        return Said(
            what,
            "When the tank is empty the guides run dry, or the machine stops itself.",
            {"value": level, "use_per_h": now, "usual": usual},
            "way oil is low" if low else "way oil goes down too fast",
        )

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {**super().state(), "use": self._use.state()}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        super().load(state)
        self._use.load(state["use"])
