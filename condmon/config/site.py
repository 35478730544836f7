"""The [site] section: whose machines, on which clock, when nobody is there."""

import zoneinfo
from typing import Any, NamedTuple

from condmon.clock import SiteCalendar
from condmon.config import values, weektime
from condmon.config.table import Section, Wrong
from condmon.engine.words import nearest


class Site(NamedTuple):
    """What [site] says, in the words of `Settings`."""

    name: str
    calendar: SiteCalendar
    unattended: tuple[tuple[int, int], ...]
    digest_minute: int
    digest_days: frozenset[int]
    lateness_s: float


def site(section: Section) -> Site:
    """Read [site]."""
    if "timezone" not in section.table:
        section.warn('no timezone is given, so UTC is used; write for example timezone = "Europe/'
                     'Oslo"')  # fmt: skip
    return Site(
        section.need("name", lambda given: values.text(given, 80), "", 'name = "North Pier"'),
        section.take("timezone", timezone, SiteCalendar("UTC")),
        section.take("unattended", weektime.spans, ()),
        section.take("digest", weektime.minute_of_day, 7 * 60),
        section.take("digest_days", weektime.days, frozenset(range(5))),
        section.take("lateness", values.duration(0, 60), 2.0),
    )


def timezone(value: Any) -> SiteCalendar:
    """Read the name of a time zone."""
    given = values.text(value, 80)
    try:
        return SiteCalendar(given)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
        near = nearest(given, zoneinfo.available_timezones())
        offer = near or '; write it like "Europe/Oslo"'
        raise Wrong(f'there is no time zone "{given}"{offer}') from error
