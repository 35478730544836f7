"""The last days of every signal for charts, read from the recordings in the background.

What comes in is followed as it is written; what was there before is read backwards, newest first
and at an easy pace, so that the charts of the last hour are there soon after a start and the watch
is not held up. Short spans are read from the recordings themselves. A recording is only ever read.
"""

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import closing
from pathlib import Path

import numpy as np

from condmon import log
from condmon.clock import Clock
from condmon.engine import records as rec
from condmon.engine.intake import Intake
from condmon.engine.records import F64, I64, SECOND_US, Samples
from condmon.engine.runs import joined
from condmon.engine.settings import Settings
from condmon.errors import CondmonError
from condmon.history.store import History
from condmon.store.packing import PackingError, unpack
from condmon.web.rings import Ring, Strip, merged

FINE = (10, 9_360)  # cells of 10 s over 26 h
COARSE = (120, 8 * 720)  # cells of 2 min over 8 d
BUCKETS_MAX = 360
CHUNK = 1500  # batches read at once
FOLLOW_S = 1.0
EASE = 3.0  # rests so many times as long as it worked, while it reads backwards
OFFSET_MAX = 2**62
CLOSE_S = 1200  # a span this short is read from the recordings
HOLD_MAX_US = 26 * 3600 * SECOND_US
_log = log.get("past")

Columns = tuple[I64, I64, F64]
"""signal, at_us and value of good samples; all (n,)."""


class Past:
    """Charts of the last days.

    Parameters
    ----------
    settings : Settings
        The signals.
    folder : Path
        Where the recordings are.
    clock : Clock
        Time.
    """

    def __init__(self, settings: Settings, folder: Path, clock: Clock) -> None:
        self._settings, self._folder, self._clock = settings, folder, clock
        self._lock = threading.Lock()
        self._history = History(folder, settings.signals)
        self._rings = [Ring(len(settings.signals), *size) for size in (FINE, COARSE)]
        self._intake = Intake(settings)
        self._offsets: dict[int, int] = {}  # minute -> least offset of its batches
        self._followed = -1  # offset up to which it follows, -1: not begun
        self.read_back_to_us = 0  # charts are whole from here on; 0: nothing was read yet
        self.whole = False  # all that is kept was read

    def run(self, stop: threading.Event) -> None:
        """Follow and read back until told to stop; never raises."""
        back = self._backwards()
        while not stop.is_set():
            began_s = self._clock.monotonic_s()
            try:
                self._follow()
                self.whole = self.whole or next(back, None) is None
            except Exception as error:  # noqa: BLE001 - charts must not end anything else
                _log.error("charts cannot be read", error=error, meaning="they have holes")
                self.whole = True
            worked_s = self._clock.monotonic_s() - began_s
            stop.wait(FOLLOW_S if self.whole else min(FOLLOW_S, EASE * worked_s))

    def read_all(self) -> None:
        """Read all at once, without rests; for benchmarks and tests."""
        self._follow()
        for _ in self._backwards():
            pass
        self.whole = True

    def strips(self, signals: Sequence[int], from_us: int, to_us: int, buckets: int) -> list[Strip]:
        """Charts of some signals over a span, at most `buckets` columns each."""
        buckets = max(1, min(buckets, BUCKETS_MAX))
        if to_us - from_us <= CLOSE_S * SECOND_US:
            close = self._close(from_us, to_us)
            if close:
                return [close.strip(s, from_us, to_us, buckets, self._hold_us(s)) for s in signals]
        fine, coarse = self._rings
        if from_us < coarse.bottom_us and coarse.top:
            return [self._long(s, from_us, to_us, buckets) for s in signals]
        with self._lock:
            ring = fine if from_us >= fine.bottom_us else coarse
            return [ring.strip(s, from_us, to_us, buckets, self._hold_us(s)) for s in signals]

    def ranges(
        self, signals: Sequence[int], spans: Sequence[tuple[int, int]]
    ) -> list[tuple[float, float] | None]:
        """Between which values each signal mostly lay in some spans; None: too little is known."""
        with self._lock:
            return [self._rings[1].range(signal, spans) for signal in signals]

    def _long(self, number: int, from_us: int, to_us: int, buckets: int) -> Strip:
        """A chart that reaches further back than the rings: out of sealed days, then the ring.

        A day that cannot be read leaves the time before the ring empty.
        """
        one, hold_us = self._settings.signals[number], self._hold_us(number)
        with self._lock:
            bottom_us = min(self._rings[1].bottom_us, to_us)
            parts = [self._rings[1].strip(number, bottom_us, to_us, buckets, hold_us)]
        try:
            old = self._history.read(one.machine, one.name, from_us, bottom_us, buckets, hold_us)
            parts.append(Strip(*old))
        except CondmonError as error:
            _log.warning("a sealed day cannot be shown", error=error, signal=one.name)
        return merged(parts, from_us, to_us, buckets)

    def _hold_us(self, signal: int) -> int:
        stale_s = self._settings.signals[signal].stale_after_s
        return HOLD_MAX_US if stale_s is None else round(stale_s * SECOND_US)

    # reading

    def _follow(self) -> None:
        """Add what was written since the last look."""
        files = self._files()[:2][::-1]
        if self._followed < 0:
            self._followed = max([0, *(_last_offset(path) for path in files)])
            return
        for path in files:
            while self._add(self._read(path, self._followed, OFFSET_MAX, CHUNK), self._intake):
                pass

    def _backwards(self) -> Iterator[int]:
        """Add what was written before the first look, a chunk at a time; yields its time."""
        oldest_us = self._clock.now_us() - COARSE[0] * COARSE[1] * SECOND_US
        top = self._followed + 1
        for path in self._files():
            at = min(top, _last_offset(path) + 1)
            while at > 1:
                found = self._read(path, max(0, at - 1 - CHUNK), at - 1)
                if not found:
                    break
                self._add(found, Intake(self._settings))
                at = found[0][0]
                first_us = min((int(run.arrived_us[0]) for _, run in found if len(run)), default=0)
                if first_us:
                    self.read_back_to_us = first_us
                    if first_us < oldest_us:
                        return
                yield at
            top = at

    def _add(self, found: list[tuple[int, Samples]], intake: Intake) -> bool:
        columns = _judged(found, intake)
        with self._lock:
            for ring in self._rings:
                ring.add(*columns)
            for offset, run in found:
                if len(run):
                    minute = int(run.arrived_us[0]) // (60 * SECOND_US)
                    self._offsets[minute] = min(offset, self._offsets.get(minute, offset))
            if len(self._offsets) > COARSE[1] * 3:
                oldest = sorted(self._offsets)[: COARSE[1]]
                for minute in oldest:
                    del self._offsets[minute]
        if found:
            self._followed = max(self._followed, found[-1][0])
        return bool(found)

    def _close(self, from_us: int, to_us: int) -> Ring | None:
        """A ring of a short span in cells of a second, from the recordings; None: too far back."""
        minutes = range(from_us // (60 * SECOND_US) - 2, to_us // (60 * SECOND_US) + 3)
        with self._lock:
            offsets = [self._offsets[minute] for minute in minutes if minute in self._offsets]
        if len(offsets) < 2:
            return None
        first, last = min(offsets) - 1, max(offsets) + CHUNK // 3
        found: list[tuple[int, Samples]] = []
        for path in self._files()[::-1]:
            found += self._read(path, first, last)
        ring = Ring(len(self._settings.signals), 1, (to_us - from_us) // SECOND_US + 600)
        signal, at_us, value = _judged(found, Intake(self._settings))
        inside = at_us < to_us + 2 * SECOND_US
        ring.add(signal[inside], at_us[inside], value[inside])
        return ring

    def _files(self) -> list[Path]:
        """Recordings, the newest day and part first."""
        found = self._folder.glob("stream-*.db")
        return sorted(found, key=lambda p: (p.name[:17], len(p.name), p.name), reverse=True)

    def _read(
        self, path: Path, after: int, until: int, limit: int = 8 * CHUNK
    ) -> list[tuple[int, Samples]]:
        """Samples of the batches in (after, until] of one file, with their offsets."""
        found = []
        with closing(_open(path)) as db:
            present = self._present(db)
            sql = (
                "SELECT offset, content FROM batches WHERE offset > ? AND offset <= ?"
                " ORDER BY offset LIMIT ?"
            )
            for offset, content in db.execute(sql, (after, until, limit)):
                try:
                    records, _ = unpack(content, lambda column: present[column])
                except PackingError:  # the daemon says so in its log when it meets it
                    continue
                runs = [record for record in records if isinstance(record, Samples)]
                found.append((int(offset), joined(runs)))
        return found

    def _present(self, db: sqlite3.Connection) -> I64:
        """Number in the file -> index in the settings, -1 for signals that are gone."""
        index = {(s.machine, s.name): i for i, s in enumerate(self._settings.signals)}
        rows = db.execute("SELECT id, machine, name FROM signals").fetchall()
        present = np.full(max((row[0] for row in rows), default=0) + 1, -1, np.int64)
        for number, machine, name in rows:
            present[number] = index.get((machine, name), -1)
        return present


def _open(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=5.0)


def _last_offset(path: Path) -> int:
    with closing(_open(path)) as db:
        return int(db.execute("SELECT max(offset) FROM batches").fetchone()[0] or 0)


def _judged(found: Sequence[tuple[int, Samples]], intake: Intake) -> Columns:
    """Good values at the times they belong to."""
    whole = joined([run for _, run in found if len(run)])
    if not len(whole):
        return np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0)
    taken = intake.take(whole)
    good = (taken.quality == rec.GOOD) & (taken.mark & rec.REPEAT == 0)
    return whole.signal[good].astype(np.int64), taken.at_us[good], taken.value[good]
