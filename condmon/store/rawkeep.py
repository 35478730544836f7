"""The raw stream, kept for a while where `keep_raw` asks for it: recordings of an hour each.

For looking closely at payloads; the recorder and not this is what condmon lives from. So trouble
with these files is told and otherwise changes nothing, and a power cut may cost the last seconds.
"""

import gzip
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from condmon import log
from condmon.capture.recording import line_of
from condmon.engine.decode import Arrived
from condmon.engine.records import SECOND_US
from condmon.mqtt.inbox import Taken

_GLOB = "raw-????-??-??T??*.jsonl.gz"
_HOUR = "raw-%Y-%m-%dT%H"
_NAME_LENGTH = len("raw-2026-11-25T03")
_log = log.get("rawkeep")


class RawKeep:
    """Appends every message to the file of its hour and removes files that are old enough.

    Parameters
    ----------
    folder : Path
        The data folder.
    keep_s : float
        How long a message is kept at least; 0 keeps nothing.
    now_us, monotonic_s : callables
        Time of day for the names, running time for the log.
    """

    def __init__(
        self,
        folder: Path,
        keep_s: float,
        now_us: Callable[[], int],
        monotonic_s: Callable[[], float],
    ) -> None:
        self._folder = folder
        self._keep_s = keep_s
        self._now_us = now_us
        self._repeats = log.Repeats(_log, monotonic_s)
        self._hour = ""
        self._path = folder

    def keep(self, taken: Taken) -> None:
        """Write what a turn took. Never raises OSError."""
        if not self._keep_s or not taken.messages:
            return
        tickets = iter(taken.tickets)
        lines = [
            line_of(entry, qos=1 if next(tickets) else 0)
            for entry in taken.entries
            if isinstance(entry, Arrived)
        ]
        try:
            with self._file().open("ab") as file:
                file.write(gzip.compress(b"".join(lines), 1, mtime=0))
        except OSError as error:
            self._repeats.tell("error", "raw messages cannot be kept", error=error)
        else:
            self._repeats.over("raw messages cannot be kept")

    def _file(self) -> Path:
        """Path of this hour's file; a new part after a start, behind which a torn one may lie."""
        now = datetime.fromtimestamp(self._now_us() / SECOND_US, UTC)
        hour = now.strftime(_HOUR)
        if hour != self._hour:
            self._hour = hour
            parts = len(list(self._folder.glob(f"{hour}*.jsonl.gz")))
            self._path = self._folder / (hour + (f".{parts + 1}" if parts else "") + ".jsonl.gz")
            self._remove_before(now - timedelta(seconds=self._keep_s, hours=1))
        return self._path

    def _remove_before(self, end: datetime) -> None:
        """Remove files whose hour began before `end`."""
        for path in self._folder.glob(_GLOB):
            if path.name[:_NAME_LENGTH] < end.strftime(_HOUR):
                path.unlink(missing_ok=True)
