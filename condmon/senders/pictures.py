"""The small picture that goes along with a message: asked for under a time limit, or left out.

Drawing reads the store. Whatever happens there, the message goes out in time and whole.
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass

from condmon import log
from condmon.engine.outputs import Alert

_log = log.get("pictures")

WITHIN_S = 3.0


@dataclass(frozen=True, slots=True)
class Picture:
    """A PNG and what it shows in words, for whoever cannot see it."""

    png: bytes
    words: str


Draw = Callable[[Alert, int], Picture | None]
"""Draws an alert as seen at an instant; None where there is nothing to draw."""


class Pictures:
    """Has pictures drawn, one at a time, each in a thread that is not waited for too long."""

    def __init__(self, draw: Draw | None, within_s: float = WITHIN_S) -> None:
        self._draw, self._within_s = draw, within_s
        self._thread: threading.Thread | None = None

    def of(self, alert: Alert, at_us: int) -> Picture | None:
        """The picture of an alert; None without one, and never an error."""
        if self._draw is None:
            return None
        if self._thread and self._thread.is_alive():
            _log.warning("no_picture", meaning="an earlier one is still being drawn; the message "
                         "goes out without it", do="is the disk slow?")  # fmt: skip
            return None
        made: list[Picture | None] = []
        self._thread = threading.Thread(
            target=self._try, args=(self._draw, alert, at_us, made), name="picture", daemon=True
        )
        self._thread.start()
        self._thread.join(self._within_s)
        if self._thread.is_alive():
            _log.warning("no_picture", meaning=f"it took longer than {self._within_s:g} s to draw; "
                         "the message goes out without it", do="is the disk slow?")  # fmt: skip
        return made[0] if made else None

    def _try(self, draw: Draw, alert: Alert, at_us: int, made: list[Picture | None]) -> None:
        try:
            made.append(draw(alert, at_us))
        except Exception as error:  # noqa: BLE001 - the message matters more
            _log.warning("no_picture", error=str(error), kind=type(error).__name__,
                         meaning="it could not be drawn; the message goes out without it",
                         do="if the store is in order, please report it")  # fmt: skip
