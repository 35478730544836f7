"""A sensor sends single wild values, many an hour.

Single readings that cannot be true are put aside one by one and hurt nobody; ten within an hour are
no chance (common practice, no source). Where most of them come within seconds of a switch (a
compressor, a pump), the note says so: that is where the disturbance comes from.
"""

from typing import Any, ClassVar, Self

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, MAINS, Said
from condmon.engine.checks.slow import Slow, Verdict
from condmon.engine.expression import Pair
from condmon.engine.minutely import Minutely
from condmon.engine.settings import Machine, Settings, Signal

TEN_S = 600
TENS = 6
NEAR_S = 5
AMONG = 2  # usable readings for each wild one
SWITCHES = ("compressor_running", "pump_running")


class SensorSpikes(Slow):
    """Needs a temperature, or another measure with `step_max`."""

    id = "sensor-spikes"
    sees = "many single wild values an hour"
    urgency = "note"
    release_s = 3600.0
    figures: ClassVar[dict[str, float]] = {"per_h": 10.0}
    title = "a sensor sends wild values"
    why = "What is put aside is missing; a cable that lets disturbances in soon lets nothing out."
    look_first = (
        "What switches at those moments? A contactor needs its suppressor.",
        "Cable and shield of the sensor: beside a motor cable, loose, wet?",
    )
    caution = MAINS + LOCKOUT

    def __init__(self, settings: Settings, machine: Machine, signal: Signal) -> None:
        super().__init__(settings, machine, (signal,), signal.name)
        self._switches = tuple(s for role in SWITCHES for s in machine.by_role(role))
        self._counts: dict[str, list[int]] = {}  # ten minutes -> wild, wild near each switch
        self._ten = 0
        self.lists["heard"] = []  # usable readings of the last tens

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a sensor."""
        return [
            cls(settings, machine, s)
            for s in machine.signals
            if s.kind == "measure" and s.step_max is not None and s.stale_after_s is not None
        ]

    def push(self, block: Block) -> Pair:
        """Count first, then judge at the full ten minutes."""
        rows = block.wild_rows(self.signals[0].name)
        for row in rows.tolist():
            key = str((block.first + row) // TEN_S)
            count = self._counts.setdefault(key, [0] * (1 + len(self._switches)))
            count[0] += 1
            for i, switch in enumerate(self._switches, 1):
                count[i] += bool(block.age_s[row, block.column[switch.name]] <= NEAR_S)
        return super().push(block)

    def learn(self, part: Minutely) -> None:
        """Count what was heard; forget what is more than an hour ago."""
        heard = float(part.heard[:, self.column(self.signals[0])].sum())
        tens = self.lists["heard"]
        if part.minute[0] % 10 and tens:
            tens[-1] += heard
        else:
            self.lists["heard"] = [*tens, heard][-TENS:]
        self._ten = int(part.minute[-1]) // 10
        for key in [key for key in self._counts if int(key) <= self._ten - TENS]:
            del self._counts[key]

    def judge(self) -> Verdict:
        """Many wild values, each among usable ones; nothing but wild ones is another check's."""
        tens = range(self._ten - TENS + 1, self._ten + 1)
        rows = [self._counts.get(str(ten), [0] * (1 + len(self._switches))) for ten in tens]
        wild, *near = (float(sum(column)) for column in zip(*rows, strict=True))
        heard = self.lists["heard"]
        single = all(h >= AMONG * c[0] for h, c in zip(heard[::-1], rows[::-1], strict=False))
        many = wild >= self.figure["per_h"] and single
        return logic.TRUE if many else logic.FALSE, [wild, *near]

    def say(self, block: Block, row: int, since: int) -> Said:
        """How many within the hour, and near which switch."""
        wild, *near = self.facts(row)
        what = (
            f"{self.signals[0].label().capitalize()} sent {wild:.0f} wild values within the hour."
        )
        for count, switch in zip(near, self._switches, strict=False):
            if count * 2 > wild:
                what += f" {count:.0f} of them came as {switch.label()} switched."
        return Said(
            what + " They are put aside. This speaks of the sensor, not of the machine.",
            "Nothing yet; more of them and the reading is of no use.",
            {"wild": wild},
            f"{self.signals[0].label()} sends wild values",
        )

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {**super().state(), "counts": self._counts}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        super().load(state)
        self._counts = state["counts"]
