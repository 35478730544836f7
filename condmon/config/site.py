"""The [site] and [plan] sections: whose machines, on which clock, when people are told."""

import zoneinfo
from typing import Any, NamedTuple

from condmon.clock import SiteCalendar
from condmon.config import values, weektime
from condmon.config.table import Section, Wrong
from condmon.engine.settings import Plan, Urgency
from condmon.engine.words import nearest

PLANS: dict[Urgency, Plan] = {
    "now": Plan(),
    "today": Plan(),
    "note": Plan(),
}
"""What holds when [plan] says nothing: one message an alert, no reminders, no word of its end."""

REMINDERS_MAX = 10


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


def plans(section: Section) -> dict[str, Plan]:
    """Read [plan.now], [plan.today] and [plan.note]; what is absent keeps its default."""
    made: dict[str, Plan] = {}
    for urgency, default in PLANS.items():
        row = section.within(urgency, "plan.URGENCY")
        made[urgency] = Plan(
            row.take("remind_after", _reminders, default.remind_after_s),
            row.take("tell_end", values.flag, default.tell_end),
        )
    return made


def timezone(value: Any) -> SiteCalendar:
    """Read the name of a time zone."""
    given = values.text(value, 80)
    try:
        return SiteCalendar(given)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
        near = nearest(given, zoneinfo.available_timezones())
        offer = near or '; write it like "Europe/Oslo"'
        raise Wrong(f'there is no time zone "{given}"{offer}') from error


def _reminders(value: Any) -> tuple[float, ...]:
    if value == []:
        return ()
    found = values.several(values.duration(60, 7 * 86400), REMINDERS_MAX)(value)
    if list(found) != sorted(found):
        raise Wrong("the times count from the first message; write the shorter one first")
    return found
