"""Times and figures as the shop reads them, as seen from one moment."""

import math

from condmon.engine.settings import Calendar, Signal
from condmon.engine.view import SignalView
from condmon.engine.words import number, shown, span

_DAY_US = 86_400_000_000


class Wording:
    """Writes instants by the shop's wall clock, from `now_us`."""

    def __init__(self, calendar: Calendar, now_us: int) -> None:
        self._calendar = calendar
        self.now_us = now_us

    def clock(self, at_us: int | None = None) -> str:
        """Wall time with seconds; of now when no instant is given."""
        return self._calendar.text(self.now_us if at_us is None else at_us)[11:]

    def when(self, at_us: int) -> str:
        """Wall time, with the day where it is not today."""
        text, today = self._calendar.text(at_us), self._calendar.text(self.now_us)
        return text[11:16] if text[:10] == today[:10] else text[:16]

    def whole(self, at_us: int) -> str:
        """Date and wall time to the second."""
        return self._calendar.text(at_us)

    def age(self, at_us: int) -> str:
        """How long ago."""
        return span(max(0.0, (self.now_us - at_us) / 1e6))

    def since(self, at_us: int) -> str:
        """Wall time and how long ago: "02:14, 25 min ago"."""
        return f"{self.when(at_us)}, {self.age(at_us)} ago"

    def lasted(self, from_us: int, to_us: int) -> str:
        """How long something lasted."""
        return span(max(0.0, (to_us - from_us) / 1e6))


def reading(signal: Signal, value: float) -> str:
    """A value with its unit; states in words."""
    if math.isnan(value):
        return "no value"
    if signal.kind == "state":
        return state_word(signal, on=value != 0)
    return f"{number(value, 4)}{shown(signal.unit)}"


def state_word(signal: Signal, *, on: bool) -> str:
    """The shop's own word for a state."""
    words = signal.words_on if on else signal.words_off
    wordy = [word for word in words if word.isalpha()]
    return wordy[0] if wordy else ("on" if on else "off")


def usual(signal: Signal) -> str:
    """What is known of a signal's normal: set point, tolerance, trip."""
    told = []
    if signal.setpoint is not None:
        about = f" ± {number(signal.tolerance)}" if signal.tolerance is not None else ""
        told.append(f"set point {number(signal.setpoint, 4)}{about}{shown(signal.unit)}")
    if signal.trip is not None:
        told.append(f"the machine stops itself at {number(signal.trip, 4)}{shown(signal.unit)}")
    return "; ".join(told)


STANDINGS = {
    "good": "",
    "unfed": "off on purpose",
    "unusable": "sends nothing usable",
    "silent": "silent",
    "never": "nothing has come yet",
}


def standing(seen: SignalView) -> str:
    """A signal's trouble in words; empty when there is none."""
    return STANDINGS[seen.standing]
