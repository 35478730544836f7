"""Whether the threads beside the turn still live: each shows it by asking whether it is to stop.

A thread that works in rounds asks in every one of them, so what it is given to ask notes when it
did. A chore has no rounds and says when it begins and ends. Who has not asked for longer than its
work may take hangs. Nothing can end a hanging thread but the end of the process; so it is told.
"""

import math
import threading
from collections.abc import Callable
from typing import NamedTuple

from condmon.clock import Clock

MAY_TAKE_S = 600.0
"""Longer than a round of any part takes: two time limits of the slowest mail server."""


class Late(NamedTuple):
    """A thread that hangs: the part it belongs to, its own name, since when it was not heard of."""

    part: str
    name: str
    silent_s: float


class Pulse(threading.Event):
    """The stop of one thread; asking it is the thread's sign of life.

    Parameters
    ----------
    stop : Event
        What is really asked; threads may share it.
    may_take_s : float
        How long the thread may work between two questions.
    monotonic_s : callable
        A clock that nobody moves.
    """

    def __init__(
        self, stop: threading.Event, may_take_s: float, monotonic_s: Callable[[], float]
    ) -> None:
        super().__init__()
        self._stop, self._may_take_s, self._monotonic_s = stop, may_take_s, monotonic_s
        self._signed_s = math.inf

    def sign(self, pause_s: float = 0.0) -> None:
        """Show life; the next sign may come so much later."""
        self._signed_s = self._monotonic_s() + pause_s

    def rest(self) -> None:
        """Say that there is nothing to do, and no sign of life to be expected."""
        self._signed_s = math.inf

    def silent_s(self) -> float:
        """Seconds since the last sign of a thread that hangs, 0 while it lives."""
        silent_s = self._monotonic_s() - self._signed_s
        return silent_s if silent_s > self._may_take_s else 0.0

    def is_set(self) -> bool:
        """Whether to stop."""
        self.sign()
        return self._stop.is_set()

    def wait(self, timeout: float | None = None) -> bool:
        """Pause; whether to stop."""
        self.sign(math.inf if timeout is None else timeout)
        stopping = self._stop.wait(timeout)
        self.sign()
        return stopping

    def set(self) -> None:
        """Tell the thread to stop."""
        self._stop.set()


class Life:
    """All pulses of one process.

    Threads live in the time of this computer, whatever time the service lives in.

    Parameters
    ----------
    monotonic_s : callable, optional
        Another clock.
    """

    def __init__(self, monotonic_s: Callable[[], float] | None = None) -> None:
        self._monotonic_s = monotonic_s or Clock().monotonic_s
        self._pulses: dict[tuple[str, str], Pulse] = {}

    def pulse(
        self,
        part: str,
        name: str = "",
        stop: threading.Event | None = None,
        may_take_s: float = MAY_TAKE_S,
    ) -> Pulse:
        """Give a thread of a part its stop; several threads of one part have names of their own."""
        made = Pulse(stop or threading.Event(), may_take_s, self._monotonic_s)
        self._pulses[part, name or part] = made
        return made

    def late(self) -> list[Late]:
        """Who hangs, longest first."""
        found = [Late(*who, pulse.silent_s()) for who, pulse in list(self._pulses.items())]
        return sorted((one for one in found if one.silent_s), key=lambda one: -one.silent_s)

    def figures(self) -> dict[str, float]:
        """For each part the silence of what hangs longest in it, 0 where all live."""
        found = {part: 0.0 for part, _ in list(self._pulses)}
        for one in self.late():
            found[one.part] = max(found[one.part], one.silent_s)
        return found
