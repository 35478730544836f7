"""Condition words of a control: NORMAL, WARNING, FAULT, UNAVAILABLE, alone or in a line. Pure.

A line has its fields between upright strokes: time, name, level, code, severity, qualifier and a
text that may hold strokes itself. The levels and their order are those of MTConnect 2.4; several
faults may be active at once, each under its code, and NORMAL without a code ends them all.
"""

from typing import NamedTuple

from condmon.engine.records import GOOD, NODATA
from condmon.engine.settings import Signal
from condmon.engine.values import UNKNOWN_WORD, Value, WordReader, text_of

WARNING = "warning"
ON = ("fault", WARNING)
OFF = ("normal",)
TEXT_MAX = 400
"""Letters of a condition that are kept; a control's screen shows fewer."""
_FIELDS_BEFORE = 3  # the level is among the first three fields


class Condition(NamedTuple):
    """What one message says; texts are empty where it does not."""

    value: Value
    level: str  # the word as it came
    code: str = ""
    text: str = ""
    time: str = ""

    def words(self) -> str:
        """The condition in one line: level, code and text."""
        head = " ".join(part for part in (self.level, self.code) if part)
        return f"{head}: {self.text}" if self.text else head


class ConditionReader:
    """Reads the conditions of one signal; its words for on are faults, but for "warning"."""

    def __init__(self, signal: Signal) -> None:
        self._words = WordReader(signal)

    def read(self, payload: bytes) -> Condition:
        """Read a payload; of one that is none the value says why."""
        text = text_of(payload[:TEXT_MAX])
        if text is None:
            return Condition(self._words.of_bytes(payload), "")
        parts = text.split("|")
        for place, part in enumerate(parts[:_FIELDS_BEFORE]):
            value = self._words.of_text(part)
            if part.strip() and value[1] in {GOOD, NODATA} and not _figure(part):
                return self._line(parts, place, value)
        if len(parts) == 1:
            return Condition(self._words.of_text(text), text)
        return Condition(UNKNOWN_WORD, text)

    @staticmethod
    def _line(parts: list[str], place: int, value: Value) -> Condition:
        rest = [part.strip() for part in parts[place + 1 :]]
        return Condition(
            value,
            parts[place].strip(),
            rest[0] if rest else "",
            "|".join(rest[3:]),
            parts[0].strip() if place else "",
        )


def _figure(part: str) -> bool:
    return part.strip().replace(".", "").isdecimal()
