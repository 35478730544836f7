"""How often something may be tried: a moving window for each name, bounded in memory."""

import threading
from collections import OrderedDict, deque
from collections.abc import Callable

NAMES_MAX = 2000


class Limit:
    """At most `times` in any `window_s` seconds for one name.

    Parameters
    ----------
    times, window_s
        The bound.
    monotonic_s : callable
        A clock that no one sets.
    """

    def __init__(self, times: int, window_s: float, monotonic_s: Callable[[], float]) -> None:
        self._times, self._window_s, self._monotonic_s = times, window_s, monotonic_s
        self._lock = threading.Lock()
        self._tried: OrderedDict[str, deque[float]] = OrderedDict()

    def wait_s(self, name: str) -> float:
        """0 and the try is counted; else the seconds until the next one is allowed."""
        now_s = self._monotonic_s()
        with self._lock:
            tries = self._tried.setdefault(name, deque())
            self._tried.move_to_end(name)
            while tries and tries[0] <= now_s - self._window_s:
                tries.popleft()
            if len(tries) >= self._times:
                return tries[0] + self._window_s - now_s
            tries.append(now_s)
            if len(self._tried) > NAMES_MAX:
                self._tried.popitem(last=False)
            return 0.0

    def forget(self, name: str) -> None:
        """Begin anew for a name: it has shown that it may."""
        with self._lock:
            self._tried.pop(name, None)
