"""The control itself reports a fault or a warning in its condition words.

A fault is told when it has stood for half a minute: what the person at the machine clears at once
is his own doing. A warning is a note when it has stood for five minutes. Every new text is in the
log at once. All three figures are common practice, no source.
"""

from typing import Any, Self

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Check
from condmon.engine.checks.base import Said as Words
from condmon.engine.condition import Condition
from condmon.engine.expression import Pair
from condmon.engine.ids import short_id
from condmon.engine.outputs import Entry, Facts
from condmon.engine.records import NODATA, SECOND_US
from condmon.engine.settings import Machine, Settings, Signal, Urgency
from condmon.engine.spoken import Active, Said, Spoken

TELL_AGAIN_S = 3600
TEXTS_TOLD_MAX = 100
UNSTABLE_TIMES, UNSTABLE_WITHIN_S = 3, 60
"""A source that is lost so often within a minute has a loose contact or a poor link."""
WARNING_HOLD_S = 300.0


class ControlAlarm(Check):
    """Needs a signal with `form = "condition"`; one check for its faults, one for its warnings."""

    id = "control-alarm"
    sees = "a fault or a lasting warning that the control reports in words"
    urgency: Urgency = "today"
    hold_s = 30.0
    release_s = 30.0
    title = "the control reports a fault"
    why = "The control sees what condmon cannot: its own words are the shortest way to the cause."
    look_first = (
        "The control's message page: the same text, with its number and its time.",
        "The maker's list of messages: what does this number mean?",
        "What else has condmon said of this machine in the hour before?",
    )
    caution = "Never bypass a switch or an interlock to clear a message. " + LOCKOUT

    def __init__(
        self, settings: Settings, machine: Machine, signal: Signal, *, warnings: bool
    ) -> None:
        subject = f"{signal.name}/warning" if warnings else signal.name
        super().__init__(settings, machine, (signal,), subject)
        self._warnings = warnings
        if warnings:
            self.urgency, self.title = "note", "the control reports a warning"
            self.hold_s = max(self.hold_s, WARNING_HOLD_S)
        self._spoken = Spoken(signal)
        self._there: list[tuple[int, Said]] = [(-1, ())]  # (row, active) of the present block
        self._told: dict[str, int] = {}  # text -> tick
        self._lost: list[int] = []  # ticks at which the source was lost

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """Two checks a signal."""
        return [
            cls(settings, machine, signal, warnings=warnings)
            for signal in machine.signals
            if signal.payload.form == "condition"
            for warnings in (False, True)
        ] or 'the condition words of the control (form = "condition")'

    def hear(self, signal: Signal, at_us: int, text: bytes) -> None:
        """Keep what the control says until its second is closed."""
        self._spoken.hear(at_us, text)

    def push(self, block: Block) -> Pair:
        """True while a fault (or a warning) is active, unknown while the source is lost."""
        self._there = [(-1, self._spoken.active)]
        known = self._spoken.known
        on = logic.constant(block.n, self._truth(self._spoken.active, known=known))
        for tick, said, active in self._spoken.until(block.first + block.n):
            row = max(tick - block.first, 0)
            if not self._warnings:
                self._log(block.first + row, said, was_known=known)
            known = said.value[1] != NODATA
            self._there.append((row, active))
            on[row:] = self._truth(active, known=known)
        return Pair(on, on)

    def _truth(self, active: Said, *, known: bool) -> int:
        if not known:
            return logic.UNKNOWN
        return logic.TRUE if self._mine(active) else logic.FALSE

    def _mine(self, active: Said) -> list[Active]:
        return [one for one in active if one.warning == self._warnings]

    def _log(self, tick: int, said: Condition, *, was_known: bool) -> None:
        """Tell each new text, and a source that comes and goes, once an hour."""
        if said.value[1] == NODATA:
            if was_known:
                self._lost = [*(t for t in self._lost if tick - t < UNSTABLE_WITHIN_S), tick]
            if len(self._lost) >= UNSTABLE_TIMES:
                self._note(tick, "unstable", f"{self.signals[0].label()}: the source is unstable, "
                           f"lost {UNSTABLE_TIMES} times within a minute")  # fmt: skip
        elif said.value[0] > 0:
            self._note(tick, said.words(), f"{self.signals[0].label()}: {said.words()}")

    def _note(self, tick: int, key: str, text: str) -> None:
        if tick - self._told.get(key, -TELL_AGAIN_S) < TELL_AGAIN_S:
            return
        self._told.pop(key, None)
        self._told[key] = tick
        while len(self._told) > TEXTS_TOLD_MAX:
            del self._told[next(iter(self._told))]
        made = short_id("control", self.machine.id, self.signals[0].name, key, tick)
        facts = {"signal": self.signals[0].name}
        self.entries.append(
            (tick, Entry(made, tick * SECOND_US, self.machine.id, "control", text, facts))
        )

    def say(self, block: Block, row: int, since: int) -> Words:
        """The control's own words, and how often they came."""
        active = next(active for at, active in reversed(self._there) if at <= row)
        mine = self._mine(active)
        told = "; ".join(one.words for one in mine[:5])
        more = f" and {len(mine) - 5} more" if len(mine) > 5 else ""
        reports = sum(one.reports for one in mine)
        times = f" It has said so {reports} times." if reports > len(mine) else ""
        first = mine[0] if mine else None
        named = first.text or first.code if first else ""
        title = f"{self.title}: {named}" if named else self.title
        facts: Facts = {
            "code": first.code if first else "",
            "text": first.text if first else "",
            "reports": reports,
        }
        what = f"The control says: {told}{more}.{times}"
        nobody = "What the control does about it is in its own manual; some faults end the run."
        return Words(what, nobody, facts, title)

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {"spoken": self._spoken.state(), "told": self._told, "lost": self._lost}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._spoken.load(state["spoken"])
        self._told, self._lost = state["told"], state["lost"]
        self._there = [(-1, self._spoken.active)]
