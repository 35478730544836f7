"""Tells the service manager that all goes on, for as long as it does.

The daemon's turn feeds it, so that a turn that hangs is noticed. It is not fed while a thread that
should live has ended, nor when a way to people hangs for long: systemd then ends the daemon and
starts it anew (WatchdogSec), which loses nothing and takes seconds. What else hangs, such as the
mirror, is no reason to stop watching: it is told (here, and by `condmon-health`) and waits for a
person.
"""

import threading
from collections.abc import Callable, Iterable

from condmon import log
from condmon.daemon.systemd import notify
from condmon.life import Late

EVERY_S = 5.0
VITAL = "delivery"  # without it nobody would hear that it hangs
VITAL_MAX_S = 1200.0  # by then the other ways have told of it
_log = log.get("watchdog")


class Watchdog:
    """Fed once a turn.

    Parameters
    ----------
    monotonic_s : callable
        A clock that nobody moves.
    threads : callable
        What has to live once it was started.
    late : callable
        What hangs.
    stopping : Event
        Threads may end once it is set.
    note : callable
        Takes a line for the event log.
    """

    def __init__(
        self,
        monotonic_s: Callable[[], float],
        threads: Callable[[], Iterable[threading.Thread]],
        late: Callable[[], Iterable[Late]],
        stopping: threading.Event,
        note: Callable[[str], None],
    ) -> None:
        self._monotonic_s, self._threads, self._late = monotonic_s, threads, late
        self._stopping, self._note = stopping, note
        self._fed_s = monotonic_s()
        self._told: set[str] = set()
        self._before: set[tuple[str, str]] = set()  # what hung at the last look
        self._hang: set[tuple[str, str]] = set()  # what was told to hang

    def feed(self) -> None:
        """Say that all goes on, when it was not said for a while and is so."""
        now_s = self._monotonic_s()
        if now_s - self._fed_s < EVERY_S or self._stopping.is_set():
            return
        self._fed_s = now_s
        ended = {t.name for t in self._threads() if t.ident is not None and not t.is_alive()}
        late = list(self._late())
        if not ended and not any(o.part == VITAL and o.silent_s > VITAL_MAX_S for o in late):
            notify("WATCHDOG=1")
        for name in ended - self._told:
            self._told.add(name)
            _log.error("a thread has ended", thread=name, meaning="condmon is started anew by the "
                       "service manager; where there is none, start it again")  # fmt: skip
        self._tell(late)

    def _tell(self, late: Iterable[Late]) -> None:
        """Name what hangs, once; at the second look, for a computer may have slept meanwhile."""
        hang = {(one.part, one.name): one.silent_s for one in late}
        for who in sorted(hang.keys() & self._before - self._hang):
            self._hang.add(who)
            self._note(f"{_words(who)} hangs: no sign of life for {hang[who] / 60:.0f} min. "
                       "Starting condmon again ends that and loses nothing")  # fmt: skip
        for who in sorted(self._hang - hang.keys()):
            self._hang.remove(who)
            self._note(f"{_words(who)} goes on again")
        self._before = set(hang)


def _words(who: tuple[str, str]) -> str:
    part, name = who
    return f"condmon's part {part!r}" + (f", {name!r}," if name != part else "")
