"""A state and a reading contradict each other: one of the two sensors tells an untruth.

Five minutes pass over every purge, braking and slow message (common practice, no source).
"""

from typing import ClassVar, Self

from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check, Said, first, value_at
from condmon.engine.settings import Machine, Settings, Signal
from condmon.engine.words import number, shown

TESTS = (  # role of a state, role beside it, condition, words
    ("air_valve", "air_flow", "not {a} and {b} > {flow}", "reads shut and air flows"),
    ("power", "spindle_speed", "not {a} and {b} > {speed}", "reads off and the spindle turns"),
    ("tool_clamped", "spindle_speed", "not {a} and {b} > {speed}",
     "reads released and the spindle turns"),
    ("door_closed", "door_latched", "not {a} and {b}", "reads open and its latch reads locked"),
)  # fmt: skip


class StateContradicts(Check):
    """Needs two signals of which one rules out the other."""

    id = "state-contradicts"
    sees = "a state and a reading that cannot both be true"
    urgency = "today"
    hold_s = 300.0
    release_s = 60.0
    figures: ClassVar[dict[str, float]] = {"flow": 5.0, "speed": 100.0}
    title = "two sensors contradict each other"
    why = "One of them is wrong, and every check that trusts it is wrong with it."
    look_first = (
        "Look at the machine: which of the two is true?",
        "The switch of the state: stuck, out of place, its cable broken?",
        "If the state is true: does the valve or contactor really do what it is told?",
    )
    caution = "Trust neither reading before hands go in. " + LOCKOUT

    def __init__(
        self, settings: Settings, machine: Machine, signals: tuple[Signal, ...], place: int
    ) -> None:
        self._test = place
        super().__init__(settings, machine, signals, signals[0].name)

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a contradiction that the signals can show."""
        found = [
            (first(machine, one), first(machine, two), place)
            for place, (one, two, _, _) in enumerate(TESTS)
        ]
        return [cls(settings, machine, (a, b), place) for a, b, place in found if a and b]

    def when(self) -> str:
        """The two at once."""
        names = {"a": self.signals[0].name, "b": self.signals[1].name}
        return TESTS[self._test][2].format(**names, **{k: f"{v:g}" for k, v in self.figure.items()})

    def say(self, block: Block, row: int, since: int) -> Said:
        """Both readings."""
        state, other = self.signals
        value = value_at(block, row, other)
        what = f"{state.label().capitalize()} {TESTS[self._test][3]}"
        if other.kind != "state":
            what += f" ({other.label()} {number(value)}{shown(other.unit)})"
        return Said(
            what + ". Both cannot be true.",
            "Nobody knows which is true until someone looks.",
            {"value": value},
        )
