"""Time in the simulated world: the true one, and the box's two clocks, which need not be right."""

from condmon.clock import Clock
from condmon.engine.records import SECOND_US

START_US = 1_764_032_400 * SECOND_US  # 2025-11-25 01:00:00 UTC
POWER_ON_US = 600 * SECOND_US  # what a clock without a battery shows: 1970


class Times:
    """True time passes; the box's clocks go with it, `drift` faster or slower.

    Every process begins with a `Clock` of its own, so that nothing but what it finds on the disk
    tells it that the wall was put back while it was away.
    """

    def __init__(self, drift: float) -> None:
        self.true_us = START_US
        self._drift = drift
        self._wall_us = START_US
        self._monotonic_us = 1000 * SECOND_US

    def clock(self) -> Clock:
        """The clock of a process that begins now."""
        return Clock(
            wall_ns=lambda: self._wall_us * 1000, monotonic_ns=lambda: self._monotonic_us * 1000
        )

    def pass_s(self, seconds: float) -> None:
        gone_us = round(seconds * SECOND_US)
        on_box_us = round(gone_us * (1 + self._drift))
        self.true_us += gone_us
        self._wall_us += on_box_us
        self._monotonic_us += on_box_us

    def step_wall_s(self, seconds: float) -> None:
        """As an operator would."""
        self._wall_us += round(seconds * SECOND_US)

    def set_right(self) -> None:
        """As a time server would."""
        self._wall_us = self.true_us

    def power_lost(self) -> None:
        """The battery was empty."""
        self._wall_us = POWER_ON_US

    @property
    def second(self) -> int:
        """True seconds since the world began."""
        return (self.true_us - START_US) // SECOND_US
