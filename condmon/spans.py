"""A span of time as a person writes it on the command line: --day, --from and --to.

Times without a zone are the site's wall clock; a day is the site's day, from midnight to midnight.
"""

import argparse
import re
from datetime import date, timedelta

from condmon.clock import SiteCalendar
from condmon.engine.records import NO_TIME, SECOND_US
from condmon.engine.settings import Settings
from condmon.engine.timetext import LATEST_US, instant
from condmon.errors import UsageError

Span = tuple[int, int]
"""[from, to) in microseconds of UTC."""

ALL: Span = (0, LATEST_US)
_DAY = re.compile(r"\d{4}-\d\d-\d\d")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare --day, --from and --to."""
    parser.add_argument("--day", metavar="DAY", help='such as "2026-11-25", by the site\'s clock')
    parser.add_argument(
        "--from",
        dest="since",
        metavar="TIME",
        help='such as "2026-11-25 06:00" by the site\'s clock, or "2026-11-25T05:00:00Z"',
    )
    parser.add_argument("--to", dest="until", metavar="TIME", help="up to here; written alike")


def asked(args: argparse.Namespace, settings: Settings) -> Span | None:
    """Read what was asked for; None where nothing was. Raises UsageError."""
    if args.day is not None:
        if args.since is not None or args.until is not None:
            raise UsageError("give either --day, or --from and --to")
        return _day(args.day, settings)
    if args.since is None and args.until is None:
        return None
    from_us = ALL[0] if args.since is None else instant_of("--from", args.since, settings)
    to_us = ALL[1] if args.until is None else instant_of("--to", args.until, settings)
    if from_us >= to_us:
        raise UsageError(f"--from {args.since} is not before --to {args.until}")
    return from_us, to_us


def _day(text: str, settings: Settings) -> Span:
    try:
        if not _DAY.fullmatch(text):
            raise ValueError(text)
        following = (date.fromisoformat(text) + timedelta(days=1)).isoformat()
    except (ValueError, OverflowError):
        raise UsageError(f"--day {text}: this is no day; write it like 2026-11-25") from None
    start = instant_of("--day", f"{text} 00:00:00", settings)
    return start, instant_of("--day", f"{following} 00:00:00", settings)


def instant_of(option: str, text: str, settings: Settings) -> int:
    """An instant as a person writes it; `option` names it in the UsageError."""
    calendar = settings.calendar
    zone = calendar.offset_s if isinstance(calendar, SiteCalendar) else None
    given = text.strip()
    if _DAY.fullmatch(given):
        given += " 00:00:00"
    elif re.fullmatch(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d", given):
        given += ":00"
    at_us, _ = instant(given, 0, zone)
    if at_us == NO_TIME:
        raise UsageError(
            f'{option} {text}: this is no time; write it like "2026-11-25 06:00" by the clock of '
            'the site, or like "2026-11-25T05:00:00Z"'
        )
    return at_us // SECOND_US * SECOND_US if option == "--day" else at_us
