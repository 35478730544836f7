"""The thread that hands the record over to the time-series server, oldest first.

It reads what the recorder and the journal have on disk beyond the cursor, a piece at a time, so
that its memory does not grow however long the server is away; nothing in the daemon waits for it,
and while it catches up it rests as long as it worked.
"""

import secrets
import threading
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from random import Random

from condmon import log
from condmon.clock import Clock
from condmon.config.shape import Influx
from condmon.engine.outputs import Entry
from condmon.engine.records import SECOND_US, Action, Health, Record
from condmon.engine.settings import CONDMON, Settings
from condmon.errors import StoreError
from condmon.influx import cursor as place
from condmon.influx.lines import Lines
from condmon.influx.queue import LINES_MAX, Queue
from condmon.influx.server import Server, TroubleError
from condmon.life import Life
from condmon.store.journal import Reader
from condmon.store.recorder import Recorder, rows_in

LIVE_S = 5.0  # between two looks while there is no backlog
BATCHES_MAX = 2000  # of the recorder in one piece
ENTRIES_MAX = 500  # in one piece
WARM_BATCHES = 4000  # read again after a start, so that devices' clocks are known
NOTE_AFTER_S = 300.0  # a shorter outage is nobody's concern
HEALTH_EVERY_S = 60.0
STOP_S = 1.0
AWAY = "mirror_away_s"
PASSING, PERSON = 1, 2  # kinds of trouble: may pass by itself, somebody has to see to it
PAUSES_S = {PASSING: (1.0, 60.0), PERSON: (30.0, 600.0)}  # between tries, growing
_log = log.get("mirror")


class Mirror:
    """Hands samples, figures of condmon's own health, and entries over to one server.

    Parameters
    ----------
    influx : Influx
        The server.
    folder : Path
        The data folder: journal, cursor, lines set aside.
    settings : Settings
        The present signals.
    recorder : Recorder
        The record; only read.
    clock : Clock
        Dates and pauses.
    put_action : callable
        Takes notes and figures for the record.
    chance : Random, optional
        Spreads the tries.
    life : Life, optional
        Sees whether the thread lives.
    """

    def __init__(
        self,
        influx: Influx,
        folder: Path,
        settings: Settings,
        recorder: Recorder,
        clock: Clock,
        put_action: Callable[[Record], None],
        chance: Random | None = None,
        life: Life | None = None,
    ) -> None:
        self._folder, self._settings = folder, settings
        self._recorder, self._clock, self._put_action = recorder, clock, put_action
        self._chance = chance or secrets.SystemRandom()
        self._repeats = log.Repeats(_log, clock.monotonic_s)
        self._server = Server(influx)
        self._queue = Queue(self._server.write, self._set_aside, self._probe)
        self._saved = place.read(folder, place.name_of(influx), recorder.last_offset())
        self._offset, self._entry = self._saved.offset, self._saved.entry  # read up to here
        self._lines: Lines | None = None
        self._journal: Reader | None = None
        self._tries = 0  # in the present trouble
        self._asides_told = 0
        self._lacking = self._lacking_told = 0  # batches that were gone before their turn
        self._health_s = clock.monotonic_s()
        self._due_s = 0.0
        self._stop = (life or Life()).pulse("mirror")
        self._thread = threading.Thread(target=self._run, name="mirror", daemon=True)

    def mirrored(self) -> int:
        """The server has the recordings up to this offset; what lies beyond must be kept."""
        return self._saved.offset

    @property
    def away_s(self) -> float:
        """For how long the server has taken nothing, 0 while it does."""
        since_us = self._saved.away_us
        return max(0.0, (self._clock.now_us() - since_us) / SECOND_US) if since_us else 0.0

    def start(self) -> None:
        """Begin to hand over."""
        self._thread.start()

    def stop(self) -> None:
        """Leave off; a request under way is not waited for."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(STOP_S)

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                pause_s = self.step()
            except Exception as error:  # noqa: BLE001 - the watch goes on without a mirror
                self._lines = None  # it may have stopped half-way
                pause_s = self._wait_after(TroubleError(log.fault_words(error), person=True))
            self._stop.wait(pause_s)
        self._server.close()

    def step(self) -> float:
        """Do what is due: one request at most; seconds until more is to be done."""
        self._tell_health()
        now_s = self._clock.monotonic_s()
        if now_s < self._due_s:
            return min(self._due_s - now_s, HEALTH_EVERY_S)
        more, rest_s = True, 0.0
        try:
            if not self._queue:
                more = self._read()
                rest_s = self._clock.monotonic_s() - now_s
            if self._queue and self._queue.step():
                self._is_back()
        except TroubleError as trouble:
            return self._wait_after(trouble)
        except (StoreError, OSError) as error:
            self._journal = None
            self._repeats.tell("error", "the record cannot be handed over", error=error,
                               meaning="it is kept and tried again")  # fmt: skip
            return self._pause(HEALTH_EVERY_S)
        if self._queue.clear:
            self._keep(replace(self._saved, offset=self._offset, entry=self._entry))
        if more or self._queue:
            return self._pause(rest_s)
        if self._queue.clear:
            self._caught_up()
        return self._pause(LIVE_S)

    def _pause(self, seconds: float) -> float:
        self._due_s = self._clock.monotonic_s() + seconds
        return min(seconds, HEALTH_EVERY_S)

    # what is to be handed over

    def _read(self) -> bool:
        """Put the next piece into the queue; whether there is more behind it."""
        if self._lines is None:
            self._lines = self._warmed()
        batches: list[list[Record]] = []
        rows, offset, newest = 0, self._offset, self._recorder.last_offset()
        begun = offset > 0  # a mirror that begins takes what there is and lacks nothing
        if newest > offset:
            with closing(self._recorder.read(offset)) as found:
                for at, records in found:
                    self._lacking += at - offset - 1 if begun else 0
                    offset, begun = at, True
                    batches.append(records)
                    rows += rows_in(records)
                    if rows >= LINES_MAX or len(batches) >= BATCHES_MAX:
                        break
                else:
                    self._lacking += max(0, newest - offset)
                    offset = max(offset, newest)  # damaged ones at the end are left out
        entries = self._entries()
        self._queue.put(self._lines.of(batches))
        self._queue.put([self._lines.event(*row) for row in entries])
        self._offset = offset
        self._entry = entries[-1][0] if entries else self._entry
        return offset < newest or len(entries) >= ENTRIES_MAX

    def _entries(self) -> list[tuple[int, Entry]]:
        if self._journal is None:
            self._journal = Reader(self._folder)
        return self._journal.entries_after(self._entry, ENTRIES_MAX)

    def _warmed(self) -> Lines:
        """Lines that know the devices' clocks from what was handed over before."""
        lines = Lines(self._settings)
        if not self._offset:
            return lines
        batches: list[list[Record]] = []
        rows = 0
        with closing(self._recorder.read(max(0, self._offset - WARM_BATCHES))) as found:
            for offset, records in found:
                if offset > self._offset:
                    break
                batches.append(records)
                rows += rows_in(records)
                if rows >= LINES_MAX:
                    lines.warm(batches)
                    batches, rows = [], 0
        lines.warm(batches)
        return lines

    def _keep(self, new: place.Cursor) -> None:
        """Put a cursor on the disk; one that the disk refuses is tried again."""
        if new == self._saved:
            return
        try:
            place.write(self._folder, new)
        except OSError as error:
            new = replace(new, offset=self._saved.offset, entry=self._saved.entry)
            self._repeats.tell("error", "mirror.json cannot be written", error=error,
                               meaning="after a restart some is handed over twice, a server "
                               "keeps it once")  # fmt: skip
        self._saved = new

    def _set_aside(self, line: bytes, reason: str) -> None:
        place.set_aside(self._folder, line, reason, self._clock.now_us())
        self._repeats.tell(
            "warning",
            "the time-series server refused a line",
            reason=reason,
            line=line[:200].decode(errors="replace"),
            meaning=f"it is set aside in {place.REFUSED}; everything else is handed over",
        )

    def _probe(self) -> bytes:
        assert self._lines is not None, "lines are read before any is doubtful"
        [line] = self._lines.of([[self._figure()]])
        return line

    # what is told of it

    def _figure(self) -> Health:
        return Health(self._clock.now_us(), AWAY, round(self.away_s, 1))

    def _tell_health(self) -> None:
        now_s = self._clock.monotonic_s()
        if now_s >= self._health_s:
            self._health_s = now_s + HEALTH_EVERY_S
            self._put_action(self._figure())

    def _wait_after(self, trouble: TroubleError) -> float:
        if not self._saved.away_us:
            self._keep(replace(self._saved, away_us=self._clock.now_us()))
        self._repeats.tell(
            "warning", "the time-series server takes nothing", str(trouble), reason=str(trouble),
            meaning="everything is kept and handed over later",
        )  # fmt: skip
        kind = PERSON if trouble.person else PASSING
        if not self._saved.told & kind and (trouble.person or self.away_s >= NOTE_AFTER_S):
            self._keep(replace(self._saved, told=self._saved.told | kind))
            since = self._settings.calendar.text(self._saved.away_us)
            self._note(f"the time-series server takes nothing since {since}: {trouble}; "
                       "everything is kept and handed over later")  # fmt: skip
        least_s, most_s = PAUSES_S[kind]
        full_s = min(most_s, least_s * 2.0 ** min(self._tries, 16))
        self._tries += 1
        return self._pause(max(full_s * self._chance.uniform(0.75, 1.25), trouble.wait_s))

    def _is_back(self) -> None:
        """The server took something."""
        self._tries = 0
        if self._saved.away_us:
            _log.info("the time-series server takes samples again", away_s=round(self.away_s))
            self._keep(replace(self._saved, away_us=0))
            self._health_s = 0.0  # told at once

    def _caught_up(self) -> None:
        """Nothing is left to hand over; say so once after an outage that was told."""
        if self._saved.told:
            self._keep(replace(self._saved, told=0))
            everything = "everything that is left" if self._lacking else "everything"
            self._note(f"the time-series server takes samples again and has {everything}")
        if self._lacking > self._lacking_told:
            count, self._lacking_told = self._lacking - self._lacking_told, self._lacking
            self._note(f"the time-series server lacks {count} batch(es) of the record: they were "
                       "removed for want of room, or damaged, before it took them")  # fmt: skip
        if self._queue.aside > self._asides_told:
            count = self._queue.aside - self._asides_told
            self._asides_told = self._queue.aside
            self._note(f"the time-series server refused {count} line(s); they are set aside with "
                       f"its reasons in {place.REFUSED}")  # fmt: skip

    def _note(self, text: str) -> None:
        self._put_action(
            Action(self._clock.now_us(), "note", "condmon", machine=CONDMON, text=text)
        )
