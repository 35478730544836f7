"""What a shipped check is: its words, its figures, and a column of true, false or unknown. Pure."""

from types import MappingProxyType
from typing import Any, ClassVar, NamedTuple, Self

from condmon.engine.block import Block
from condmon.engine.duty import names
from condmon.engine.expression import Condition, Pair
from condmon.engine.outputs import Entry, Facts
from condmon.engine.records import Action
from condmon.engine.settings import Adjust, Machine, Settings, Signal, Urgency

LOCKOUT = (
    "Lock out and tag before reaching in; relieve stored air and hydraulic pressure, and "
    "wait until the spindle has stopped. Follow local rules and licensed practice."
)

MAINS = "Behind the doors of a cabinet is mains: electricians only. "


class Said(NamedTuple):
    """What a check says when it is raised: a sentence, what comes if nobody acts, the figures."""

    what: str
    if_nobody: str
    facts: Facts
    title: str = ""
    signals: tuple[str, ...] = ()


class Taken(NamedTuple):
    """What a check says of a fitted model: `lines` for the page, `text` and `facts` for the log."""

    subject: str = ""
    lines: tuple[str, ...] = ()
    text: str = ""
    facts: Facts = MappingProxyType({})


class Check:
    """One thing looked for on one machine.

    A shipped check is a subclass in a module of its own: it fills in the class attributes, `make`
    and either `when` (a condition text) or `push`, and `say`. `figures` are the numbers a shop may
    change under `[adjust.<id>]`; each has its default here and its reason in the module.
    """

    id: ClassVar[str] = ""
    sees: ClassVar[str] = ""  # one line for lists
    urgency: Urgency = "today"
    hold_s: float = 0.0
    release_s: float = 0.0
    figures: ClassVar[dict[str, float]] = {}
    title: str = ""
    why: str = ""
    look_first: tuple[str, ...] = ()
    caution: str = ""
    deadband: float = 0.0
    model: ClassVar[str] = ""  # kind of fitted model it asks for (see ModelOn), if any

    def __init__(
        self, settings: Settings, machine: Machine, signals: tuple[Signal, ...], subject: str = ""
    ) -> None:
        self.settings, self.machine, self.signals = settings, machine, signals
        self.key = f"{self.id}/{subject}" if subject else self.id
        self.entries: list[tuple[int, Entry]] = []  # (tick, entry): notices, no alerts
        adjust = machine.adjust.get(self.id, Adjust())
        self.figure = {**self.figures, **adjust.figures}
        self.hold_s = self.hold_s if adjust.hold_s is None else adjust.hold_s
        self.release_s = self.release_s if adjust.release_s is None else adjust.release_s
        self.urgency = adjust.urgency or self.urgency
        self._condition: Condition | None = None
        text = self.when()
        if text:
            kinds = {s.name: s.kind for s in machine.signals}
            self._condition = Condition(text, kinds, names(machine), self.deadband)

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """The checks of this kind that a machine can have, or in words what it lacks.

        An empty text: the machine has no use for the check.
        """
        raise NotImplementedError

    def when(self) -> str:
        """The condition as text, if a text can say it."""
        return ""

    def push(self, block: Block) -> Pair:
        """The condition's columns over a block, as written and eased by the deadband."""
        assert self._condition is not None
        return self._condition.push(block)

    def say(self, block: Block, row: int, since: int) -> Said:
        """Words for the alert raised at a row; `since` is the tick at which it began."""
        raise NotImplementedError

    def outlook(self) -> str:
        """What it foresees for its first signal as things are now; empty where it cannot tell."""
        return ""

    def learned(self) -> Taken:
        """What it says of its model, or of how far it has come without one."""
        return Taken()

    def hear(self, signal: Signal, at_us: int, text: bytes) -> None:
        """A signal of the check said something in words in a second that is still open."""

    def told(self, action: Action) -> None:
        """A person did or wrote something on this machine."""
        if action.do == "return_to_service" and action.check == self.key:
            self.renew()

    def renew(self) -> None:
        """Begin a new base where the check compares with its past."""

    def begin_anew(self) -> None:
        """The machine has a new baseline: what the check has found so far counts no more."""
        self.renew()

    def worked(self, words: str) -> None:
        """The service book says that hands were on the machine."""

    def answered(self, signal: str, *, yes: bool) -> None:
        """A person said whether the last step of a calibration was expected."""

    def take_model(self, made: str, content: str) -> str:
        """Take up a fitted model of the kind `model`; why it cannot be used, or nothing.

        A model that is refused changes nothing. State of the model is part of `state`, which is
        loaded after it.
        """
        raise NotImplementedError

    def state(self) -> dict[str, Any]:
        """What has to survive a restart; subclasses add to it."""
        return {"condition": self._condition.state()} if self._condition else {}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        if self._condition:
            self._condition.load(state["condition"])


class Marks:
    """What a check knew at each row of a block, so that its words fit the row."""

    def __init__(self, fact: list[float]) -> None:
        self._marks: list[tuple[int, list[float]]] = [(-1, fact)]

    def begin(self) -> None:
        """A new block: only what was known last still counts."""
        self._marks = [(-1, self._marks[-1][1])]

    def add(self, row: int, fact: list[float]) -> None:
        """From this row on this is known; rows never go back."""
        self._marks.append((row, fact))

    def at(self, row: int) -> list[float]:
        """What was known at a row."""
        return next(fact for known, fact in reversed(self._marks) if known <= row)

    def state(self) -> list[float]:
        """What has to survive a restart."""
        return self._marks[-1][1]

    def load(self, fact: list[float]) -> None:
        """Take up a saved state."""
        self._marks = [(-1, fact)]


def value_at(block: Block, row: int, signal: Signal) -> float:
    """Held value of a signal at a row, NaN where unknown."""
    return float(block.value_of(signal.name)[row])


def first(machine: Machine, role: str) -> Signal | None:
    """The first signal that plays a role."""
    found = machine.by_role(role)
    return found[0] if found else None


def air_compressor(machine: Machine) -> Signal | None:
    """The state of the shop's air compressor: it says `place = "air"`."""
    return next((s for s in machine.by_role("compressor_running") if s.place == "air"), None)


def chiller_compressor(machine: Machine) -> Signal | None:
    """The state of the chiller's compressor: any that is not of the air net."""
    return next((s for s in machine.by_role("compressor_running") if s.place != "air"), None)
