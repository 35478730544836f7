"""A line on a terminal that says how far a long work is; nothing elsewhere."""

import sys
from collections.abc import Callable

from condmon.engine.words import span

EVERY_S = 0.5
SETTLED_S = 2.0
"""Before this the time left would be a guess."""


class Progress:
    """Shown on standard error where that is a terminal, twice a second at most."""

    def __init__(self, monotonic_s: Callable[[], float]) -> None:
        self._monotonic_s = monotonic_s
        self.shown = sys.stderr.isatty()
        self._began_s = self._next_s = monotonic_s()

    @property
    def due(self) -> bool:
        """Whether it is time for the next look."""
        return self.shown and self._monotonic_s() >= self._next_s

    def show(self, part: float, at: str, done: int, what: str) -> None:
        """Show the part done (0 to 1), where that is, the rate, and the time left."""
        now_s = self._monotonic_s()
        self._next_s = now_s + EVERY_S
        gone_s = max(now_s - self._began_s, 0.001)
        line = f"{100 * part:3.0f} %  {at}  {done / gone_s:,.0f} {what}/s"
        if gone_s > SETTLED_S and 0 < part < 1:
            line += f"  {span(gone_s / part * (1 - part))} left"
        sys.stderr.write(f"\r\x1b[K{line}")
        sys.stderr.flush()

    def end(self) -> None:
        """Take the line away."""
        if self.shown:
            sys.stderr.write("\r\x1b[K")
