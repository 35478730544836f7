"""How condmon itself fares, once a minute: disk, clock, undelivered alerts, stream, threads.

What it finds enters as Health records through the inbox, so that condmon is watched by the same
engine as the machines. Imports clock, journal and records.
"""

import shutil
from collections import deque
from collections.abc import Callable, Mapping
from pathlib import Path

from condmon.clock import Clock
from condmon.engine.health import hangs
from condmon.engine.records import SECOND_US, Health
from condmon.errors import StoreError
from condmon.store.journal import Journal

EVERY_S = 60.0
DROPS_WITHIN_S = 600.0
DAY_US = 86400 * SECOND_US


class OwnHealth:
    """Finds the figures.

    Parameters
    ----------
    folder : Path
        The data folder; its disk is the one that must not fill.
    journal : Journal
        Knows what waits to be delivered.
    clock : Clock
        What time it is, and how far the system's own clock has moved away.
    certificate_ends_us : callable
        When the broker's certificate ends, None where there is none.
    silent_s : callable, optional
        For how long the parts that hang have shown no life.
    """

    def __init__(
        self,
        folder: Path,
        journal: Journal,
        clock: Clock,
        certificate_ends_us: Callable[[], int | None],
        silent_s: Callable[[], Mapping[str, float]] = dict,
    ) -> None:
        self._folder, self._journal, self._clock = folder, journal, clock
        self._certificate_ends_us, self._silent_s = certificate_ends_us, silent_s
        self._due_s = clock.monotonic_s()
        self._heard_s = clock.monotonic_s()
        self._connections: deque[tuple[float, int]] = deque()  # (when, how many so far)

    def heard(self, messages: int, *, up: bool, connections: int = 0) -> None:
        """A turn took in so many messages; while the link is down nothing can be heard.

        `connections` : how often the link has come up since the start.
        """
        now_s = self._clock.monotonic_s()
        if messages or not up:
            self._heard_s = now_s
        if not self._connections or self._connections[-1][1] != connections:
            self._connections.append((now_s, connections))
        while len(self._connections) > 1 and now_s - self._connections[1][0] > DROPS_WITHIN_S:
            self._connections.popleft()

    def due(self, judged_us: int, unwritten: int = 0) -> list[Health]:
        """The figures, when a minute has passed since the last ones.

        `judged_us` : the engine's time. `unwritten` : what waits in memory for the disk.
        """
        now_s = self._clock.monotonic_s()
        if now_s < self._due_s:
            return []
        self._due_s = now_s + EVERY_S
        now_us = self._clock.now_us()
        figures: dict[str, float | None] = {
            "disk_free_share": self._disk_free(),
            "clock_off_s": abs(self._clock.wall_off_s()),
            "outbox_age_s": self._outbox_age_s(now_us),
            "stream_silent_s": now_s - self._heard_s,
            "store_behind_s": (now_us - judged_us) / SECOND_US if judged_us else 0.0,
            "certificate_days": self._certificate_days(now_us),
            "unwritten": float(unwritten),
            "link_drops": float(self._drops()),
        }
        figures |= {hangs(part): silent_s for part, silent_s in self._silent_s().items()}
        return [
            Health(now_us, name, round(value, 4))
            for name, value in figures.items()
            if value is not None
        ]

    def _drops(self) -> int:
        """How often the link was made anew lately; that it was made at first is none."""
        if not self._connections:
            return 0
        return max(0, self._connections[-1][1] - max(1, self._connections[0][1]))

    def _disk_free(self) -> float | None:
        try:
            usage = shutil.disk_usage(self._folder)
        except OSError:
            return None  # the writers tell that the folder is gone
        return usage.free / usage.total if usage.total else None

    def _outbox_age_s(self, now_us: int) -> float | None:
        try:
            born_us = self._journal.undelivered_since_us()
        except StoreError:
            return None  # the journal's own trouble is told where it is written
        return (now_us - born_us) / SECOND_US if born_us else 0.0

    def _certificate_days(self, now_us: int) -> float | None:
        ends_us = self._certificate_ends_us()
        return None if ends_us is None else (ends_us - now_us) / DAY_US
