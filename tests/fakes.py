"""Things of the outside world that a test rules: time."""

import threading

from condmon.engine.records import SECOND_US

START_US = 1_764_032_400 * SECOND_US  # 2025-11-25 01:00:00 UTC


class FakeClock:
    """Time that passes only when the test says so; the same questions as condmon.clock.Clock."""

    def __init__(self, start_us: int = START_US) -> None:
        self._lock = threading.Lock()
        self._at_us = start_us
        self._monotonic_s = 1000.0
        self._wall_step_s = 0.0
        self.fail_next = 0

    def now_us(self) -> int:
        with self._lock:
            if self.fail_next:
                self.fail_next -= 1
                raise RuntimeError("a fault the test asked for")
            return self._at_us

    def monotonic_s(self) -> float:
        with self._lock:
            return self._monotonic_s

    def wall_step_s(self) -> float:
        with self._lock:
            return self._wall_step_s

    def wall_off_s(self) -> float:
        return 0.0

    def take_wall(self) -> float:
        with self._lock:
            step_s, self._wall_step_s = self._wall_step_s, 0.0
            if step_s > 0:
                self._at_us += round(step_s * SECOND_US)
            return step_s

    def not_before(self, at_us: int) -> None:
        with self._lock:
            self._at_us = max(self._at_us, at_us)

    def pass_s(self, seconds: float) -> None:
        """Let time pass."""
        with self._lock:
            self._at_us += round(seconds * SECOND_US)
            self._monotonic_s += seconds

    def step_wall_s(self, seconds: float) -> None:
        """Set the system's wall clock, as an operator or NTP would."""
        with self._lock:
            self._wall_step_s += seconds
