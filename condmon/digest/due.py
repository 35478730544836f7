"""Makes the morning note and the weekly report at the time of the digest.

The engine tells notes together at a set time; what it says then is enlarged to a morning note by
what only the journal knows. On a day without notes a morning note is made all the same where it has
something to tell, and on the first digest of the week the weekly report. Ids are made from the
time, so that a restart tells nothing twice.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from condmon import log
from condmon.digest.compose import Report, morning, text_of, weekly
from condmon.digest.source import DigestReader, silent_signals
from condmon.engine.ids import short_id
from condmon.engine.outputs import Message, Output
from condmon.engine.records import SECOND_US
from condmon.engine.settings import CONDMON, Calendar, Settings
from condmon.engine.view import View
from condmon.errors import StoreError

DAY_US = 86400 * SECOND_US
WAIT_US = 60 * SECOND_US
"""So long after its time a note of the engine's own would have come."""
MISSED_MAX_US = 12 * 3600 * SECOND_US
"""A morning note that is later than this is left out: the next one tells of the time as well."""
_log = log.get("digest")


class MorningNote:
    """Knows when the next one is due; belongs to the turn.

    Parameters
    ----------
    settings : Settings
        The calendar and the time of the digest.
    folder : Path
        The data folder.
    view : callable
        The engine's present view.
    """

    def __init__(self, settings: Settings, folder: Path, view: Callable[[], View]) -> None:
        self._settings, self._folder, self._view = settings, folder, view
        self._next_us = 0

    def enlarged(self, outputs: Sequence[Output]) -> list[Output]:
        """The outputs, the engine's notes of the morning among them told with all the rest."""
        return [self._enlarge(o) if isinstance(o, Message) else o for o in outputs]

    def due(self, now_us: int) -> list[Message]:
        """What is to be told now: nothing, or a morning note and on its day a weekly report."""
        if not self._next_us and now_us:
            self._next_us = self._after(now_us - MISSED_MAX_US)
        if not now_us or now_us < self._next_us + WAIT_US:
            return []
        at_us, self._next_us = self._next_us, self._after(now_us)
        if now_us - at_us > MISSED_MAX_US:
            return []
        try:
            return self._made(at_us)
        except StoreError as error:
            _log.error("the morning note could not be made", error=error,
                       meaning="it is left out today; the page shows it")  # fmt: skip
            return []

    def _made(self, at_us: int) -> list[Message]:
        made = []
        with DigestReader(self._folder) as reader:
            if reader.began_us() > at_us:  # nobody watched yet, so there is nothing to tell
                return []
            there = reader.has_digest(at_us)
        report = self._report(at_us)
        if report.worth_sending and not there:
            made.append(self._message("morning", report, at_us))
        if is_weekly(self._settings, at_us):
            made.append(self._message("weekly", self._report(at_us, week=True), at_us))
        return made

    def _enlarge(self, message: Message) -> Message:
        if message.kind != "digest" or not message.alerts:  # ours name none: they are whole
            return message
        if self._after(message.at_us - 1) != message.at_us:
            return message
        try:
            report = self._report(message.at_us)
        except StoreError:  # the notes alone then
            return message
        if not report.worth_sending:  # a journal that is being filled anew
            return message
        notes = f"{message.text}\n\n" if not any(p.heading == "Notes" for p in report.parts) else ""
        text = notes + text_of(report, self._settings.calendar)
        return replace(message, title=report.title, text=text)

    def _report(self, at_us: int, *, week: bool = False) -> Report:
        silent = silent_signals(self._view(), self._settings)
        return report_of(self._folder, self._settings, at_us, week=week, silent=silent)

    def _message(self, kind: str, report: Report, at_us: int) -> Message:
        text = text_of(report, self._settings.calendar)
        made = short_id(kind, at_us)
        return Message(made, at_us, "digest", 0, "note", (), CONDMON, report.title, text)

    def _after(self, at_us: int) -> int:
        return next_digest_us(self._settings, at_us)


def report_of(
    folder: Path, settings: Settings, to_us: int, *, week: bool, silent: tuple[str, ...] = ()
) -> Report:
    """A report that ends at an instant. Raises StoreError."""
    from_us = to_us - 7 * DAY_US if week else last_digest_us(settings, to_us)
    with DigestReader(folder) as reader:
        found = reader.happened(from_us, to_us, silent)
    return weekly(found, settings) if week else morning(found, settings)


def next_digest_us(settings: Settings, at_us: int) -> int:
    """The first time of a digest after an instant."""
    calendar: Calendar = settings.calendar
    return calendar.next_local(at_us, settings.digest_minute, settings.digest_days)


def last_digest_us(settings: Settings, at_us: int) -> int:
    """The last time of a digest before an instant."""
    found_us = next_digest_us(settings, at_us - 9 * DAY_US)
    while (later_us := next_digest_us(settings, found_us)) < at_us:
        found_us = later_us
    return found_us


def is_weekly(settings: Settings, at_us: int) -> bool:
    """Whether a digest is the first one of its week."""
    day = settings.calendar.minute_of_week(at_us) // (24 * 60)
    return day == min(settings.digest_days)
