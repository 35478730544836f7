"""Tells the service manager that all goes on, for as long as it does.

The daemon's turn feeds it, so that a turn that hangs is noticed; and it is not fed while a thread
that should live has ended. systemd then ends the daemon and starts it anew (WatchdogSec).
"""

import threading
from collections.abc import Callable, Iterable

from condmon import log
from condmon.daemon.systemd import notify

EVERY_S = 5.0
_log = log.get("watchdog")


class Watchdog:
    """Fed once a turn.

    Parameters
    ----------
    monotonic_s : callable
        A clock that nobody moves.
    threads : callable
        What has to live once it was started.
    stopping : Event
        Threads may end once it is set.
    """

    def __init__(
        self,
        monotonic_s: Callable[[], float],
        threads: Callable[[], Iterable[threading.Thread]],
        stopping: threading.Event,
    ) -> None:
        self._monotonic_s, self._threads, self._stopping = monotonic_s, threads, stopping
        self._fed_s = monotonic_s()
        self._told: set[str] = set()

    def feed(self) -> None:
        """Say that all goes on, when it was not said for a while and is so."""
        now_s = self._monotonic_s()
        if now_s - self._fed_s < EVERY_S:
            return
        self._fed_s = now_s
        ended = {t.name for t in self._threads() if t.ident is not None and not t.is_alive()}
        if self._stopping.is_set():
            ended = set()
        if not ended:
            notify("WATCHDOG=1")
        for name in ended - self._told:
            self._told.add(name)
            _log.error("a thread has ended", thread=name, meaning="condmon is started anew by the "
                       "service manager; where there is none, start it again")  # fmt: skip
