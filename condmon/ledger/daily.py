"""A look at the log's chain once a day: someone is told when an entry is not as it was written.

What it finds enters as a Health record, so that it is an alert like any other trouble of condmon.
"""

from collections.abc import Callable
from pathlib import Path

from condmon import log
from condmon.engine.records import Health, Record
from condmon.errors import StoreError
from condmon.ledger.verify import verify

_log = log.get("ledger")


class DailyLook:
    """Walks the chain of a data folder.

    Parameters
    ----------
    folder : Path
        The data folder.
    now_us : callable
        The time.
    put_action : callable
        The inbox's door.
    note : callable
        Takes a line for the event log.
    """

    def __init__(
        self,
        folder: Path,
        now_us: Callable[[], int],
        put_action: Callable[[Record], None],
        note: Callable[[str], None],
    ) -> None:
        self._folder, self._now_us = folder, now_us
        self._put_action, self._note = put_action, note

    def look(self) -> None:
        """Verify the log, and tell in the log itself what does not fit."""
        try:
            # without the photos: the owner may have moved some to make room
            verdict = verify(self._folder / "journal.db")
        except StoreError as error:
            _log.warning("the log could not be verified", error=error, meaning="tomorrow again")
            return
        faults = len(verdict.faults) + verdict.more_faults
        if faults:
            first = verdict.faults[0].text
            self._note(f"the event log is not as it was written, in {faults} place(s): {first}")
        self._put_action(Health(self._now_us(), "log_faults", float(faults)))
