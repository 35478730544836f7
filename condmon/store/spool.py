"""What stands before the disk: batches wait in memory while the recorder cannot write.

As long as the disk takes everything, a batch is durable when `append` returns and its messages may
be acknowledged. In trouble the watching goes on: batches are kept in memory and acknowledgements
are held back until the broker would stop sending; from then on messages are acknowledged from
memory, which a kill in that time would lose. When memory's bound is reached the oldest batches are
dropped, counted and told by a Gap.
"""

from collections import deque
from collections.abc import Callable, Sequence

from condmon import log
from condmon.engine.records import Gap, Record
from condmon.errors import StoreError
from condmon.mqtt.connection import MID_BITS
from condmon.store.recorder import Recorder, rows_in

ROWS_MAX = 2_000_000  # about 70 MB; at 100 samples a second five hours
BATCHES_MAX = 100_000
_log = log.get("spool")


class Spool:
    """Appends to the recorder, or keeps for it.

    Parameters
    ----------
    recorder : Recorder
        Where batches go.
    tickets_max : int
        So many acknowledgements are held back before the broker stops sending.
    now_us, monotonic_s : callables
        Time for a Gap, time for not repeating oneself.
    tell : callable
        Takes the Gap that tells a loss, for the next turn.
    """

    def __init__(
        self,
        recorder: Recorder,
        tickets_max: int,
        now_us: Callable[[], int],
        monotonic_s: Callable[[], float],
        tell: Callable[[Record], None],
    ) -> None:
        self.lost_batches = 0
        self._recorder = recorder
        self._tickets_max = tickets_max
        self._now_us = now_us
        self._tell = tell
        self._repeats = log.Repeats(_log, monotonic_s)
        self._waiting: deque[tuple[int, list[Record]]] = deque()
        self._rows = 0
        self._tickets: list[int] = []
        self._lost: list[int] = []  # [samples, from_us, to_us]

    @property
    def waiting(self) -> int:
        """Batches that are not on disk."""
        return len(self._waiting)

    @property
    def rows(self) -> int:
        """What is not on disk: samples, and batches that hold none."""
        return max(self._rows, len(self._waiting))

    def all_durable(self) -> None:
        """Raise StoreError while batches wait: what comes of them must not outlive them.

        A journal ahead of the recording would, after a kill, hold alerts that nobody ever ends.
        """
        if self._waiting:
            raise StoreError(f"{len(self._waiting)} batches of records wait for the disk first")

    def append(self, records: list[Record], tickets: Sequence[int]) -> Sequence[int]:
        """Write a batch; the tickets that may be acknowledged now. Never raises StoreError.

        Messages of which nothing is to be recorded bring tickets without records.
        """
        if not records and not self._waiting:
            return tickets
        if not self._waiting:
            try:
                self._recorder.append(records)
                return tickets
            except StoreError as error:
                self._repeats.tell("error", "the disk takes nothing", error=str(error))
        self._keep(records, tickets)
        if self.retry():
            return self._released()
        over = len(self._tickets) > self._tickets_max
        return self._released() if over else ()

    def retry(self) -> bool:
        """Write what waits, oldest first; True when nothing waits any more."""
        while self._waiting:
            try:
                self._recorder.append(self._waiting[0][1])
            except StoreError as error:
                self._repeats.tell(
                    "error",
                    "the disk takes nothing",
                    error=str(error),
                    waiting=len(self._waiting),
                    lost=self.lost_batches,
                )
                return False
            self._drop_first()
        if self._lost:
            samples, from_us, to_us = self._lost
            self._lost = []
            reason = "the disk took nothing for so long that memory was full"
            self._tell(Gap(self._now_us(), from_us, to_us, reason, lost=samples))
        self._repeats.over("the disk takes nothing")
        _log.info("the disk takes records again")
        return True

    def _keep(self, records: list[Record], tickets: Sequence[int]) -> None:
        if records:
            self._waiting.append((self._now_us(), records))
            self._rows += rows_in(records)
        newest = max(tickets, default=0) >> MID_BITS
        if newest:  # those of a connection that is gone are void: the broker has sent them again
            self._tickets = [t for t in self._tickets if t >> MID_BITS >= newest]
        self._tickets += tickets
        while self._rows > ROWS_MAX or len(self._waiting) > BATCHES_MAX:
            at_us, samples = self._waiting[0][0], rows_in(self._waiting[0][1])
            self._lost = [
                samples + (self._lost[0] if self._lost else 0),
                self._lost[1] if self._lost else at_us,
                at_us,
            ]
            self.lost_batches += 1
            self._drop_first()

    def _drop_first(self) -> None:
        self._rows -= rows_in(self._waiting.popleft()[1])

    def _released(self) -> list[int]:
        tickets, self._tickets = self._tickets, []
        return tickets
