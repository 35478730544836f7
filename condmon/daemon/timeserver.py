"""A look once an hour whether a time server still sets the clock of this computer.

The kernel takes a clock for set until nobody has corrected it for some nine hours: its own bound of
the error grows by 500 us a second and ends at 16 s (adjtimex; from memory). systemd's `timedatectl`
tells that; where there is none nothing is known and nothing told. It enters as a Health record.
"""

import subprocess
from collections.abc import Callable

from condmon import log
from condmon.engine.records import Health, Record

COMMAND = ("timedatectl", "show", "--property=NTPSynchronized", "--value")
ANSWER_WITHIN_S = 20.0
_log = log.get("clock")


class TimeServer:
    """Counts for how long the clock has not been set.

    Parameters
    ----------
    now_us, monotonic_s : callable
        The time.
    put_action : callable
        The inbox's door.
    """

    def __init__(
        self,
        now_us: Callable[[], int],
        monotonic_s: Callable[[], float],
        put_action: Callable[[Record], None],
    ) -> None:
        self._now_us, self._monotonic_s, self._put_action = now_us, monotonic_s, put_action
        self._since_s: float | None = None  # not set since then, as far as is known

    def look(self) -> None:
        """Ask, and tell for how long it has been so."""
        answer = _asked()
        now_s = self._monotonic_s()
        if answer == "yes":
            self._since_s = None
            self._put_action(Health(self._now_us(), "clock_unset_s", 0.0))
        elif answer != "no":
            _log.info("whether a time server sets the clock is not known", answer=answer)
        elif self._since_s is None:
            self._since_s = now_s  # what an earlier run told holds until more is known
        else:
            unset_s = round(now_s - self._since_s, 1)
            self._put_action(Health(self._now_us(), "clock_unset_s", unset_s))


def _asked() -> str:
    """What the system says: yes, no, or why it says nothing."""
    try:
        done = subprocess.run(
            COMMAND, capture_output=True, text=True, timeout=ANSWER_WITHIN_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        return type(error).__name__
    said = done.stdout.strip() or done.stderr.strip()
    return said[:200]
