"""What a control says in words over time: which conditions are active under which code. Pure.

Follows MTConnect 2.4 as far as is known here: several warnings and faults may be active, NORMAL
with a code ends that one, NORMAL without ends all, and after UNAVAILABLE all are said anew.
"""

from typing import Any, NamedTuple

from condmon.engine.condition import WARNING, Condition, ConditionReader
from condmon.engine.records import NODATA, SECOND_US
from condmon.engine.settings import Signal

CODES_MAX = 50
"""Conditions that can be active at once; a control's screen lists fewer."""


class Active(NamedTuple):
    """One active condition."""

    words: str
    code: str
    text: str
    warning: bool
    reports: int  # how often it was said without a break


Said = tuple[Active, ...]


class Spoken:
    """Carried: the active conditions, and messages of seconds that are not closed yet.

    Attributes
    ----------
    known : bool
        False before the first word and while the source says that it is unavailable.
    """

    def __init__(self, signal: Signal) -> None:
        self._reader = ConditionReader(signal)
        self._waiting: list[tuple[int, bytes]] = []
        self._active: dict[str, Active] = {}
        self.known = False

    def hear(self, at_us: int, text: bytes) -> None:
        """Keep a message until its second is closed."""
        self._waiting.append((at_us, text))

    def until(self, end: int) -> list[tuple[int, Condition, Said]]:
        """Give (tick, message, what is active then) of the seconds before tick `end`."""
        if not self._waiting:
            return []
        end_us = end * SECOND_US
        ready = sorted((one for one in self._waiting if one[0] < end_us), key=lambda one: one[0])
        self._waiting = [one for one in self._waiting if one[0] >= end_us]
        out = []
        for at_us, text in ready:
            said = self._reader.read(text)
            self._take(said)
            out.append((at_us // SECOND_US, said, self.active))
        return out

    @property
    def active(self) -> Said:
        """What is active now, the first said first."""
        return tuple(self._active.values())

    def _take(self, said: Condition) -> None:
        if said.value[1] == NODATA:
            self.known = False
            return
        if not self.known:
            self._active.clear()
        self.known = True
        if said.value[0] == 0.0:
            if said.code:
                self._active.pop(said.code, None)
            else:
                self._active.clear()
            return
        before = self._active.get(said.code)
        again = before is not None and before.words == said.words()
        reports = before.reports + 1 if before is not None and again else 1
        warning = said.level.casefold() == WARNING
        if before is not None or len(self._active) < CODES_MAX:
            self._active[said.code] = Active(said.words(), said.code, said.text, warning, reports)

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "waiting": [[at_us, text.decode("latin-1")] for at_us, text in self._waiting],
            "active": [list(one) for one in self._active.values()],
            "known": self.known,
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self._waiting = [(at_us, text.encode("latin-1")) for at_us, text in state["waiting"]]
        self._active = {one[1]: Active(*one) for one in state["active"]}
        self.known = state["known"]
