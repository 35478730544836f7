"""The [plan] section: who is told of what by which ways, when again, and in which hours not."""

from collections.abc import Mapping
from typing import Any, NamedTuple

from condmon.config import values, weektime
from condmon.config.shape import Reach, Reaching
from condmon.config.table import Section, Wrong
from condmon.engine.settings import Plan, Urgency
from condmon.engine.words import nearest

REMINDERS_MAX = 10
Ways = Mapping[str, tuple[Urgency, ...]]
"""Name of a way -> urgencies it takes."""


class Plans(NamedTuple):
    """What [plan] says: to the engine, and to what brings the messages out."""

    engine: dict[str, Plan]
    reaching: Reaching


def plan(section: Section, ways: Ways) -> Plans:
    """Read [plan]; without it an alert is one message by every way that takes its urgency."""
    engine: dict[str, Plan] = {}
    reaches: dict[str, Reach] = {}
    for urgency in values.URGENCIES:
        row = section.within(urgency, "plan.URGENCY")
        engine[urgency], reaches[urgency] = _urgency(row, urgency, ways)
    _warn_of_idle(section, reaches, ways)
    return Plans(engine, Reaching(
        reaches,
        section.take("quiet", _quiet, ()),
        section.take("test", weektime.minute_of_day, None),
        section.take("test_days", weektime.days, frozenset(range(7))),
    ))  # fmt: skip


def _urgency(row: Section, urgency: Urgency, ways: Ways) -> tuple[Plan, Reach]:
    """One urgency: what the engine has to say again, and the ways it goes."""
    never: tuple[float, ...] = ()
    remind_after_s = row.take("remind_after", _reminders, never)
    hand_over_s = row.take("hand_over_after", values.duration(60, 7 * 86400), None)
    hand_over_to = row.take("hand_over_to", _known(ways, urgency), ())
    if ("hand_over_after" in row.table) != ("hand_over_to" in row.table):
        row.wrong("hand_over_after and hand_over_to go together; give both or neither")
    times = set(remind_after_s) | ({hand_over_s} if hand_over_s is not None else set())
    again = tuple(sorted(times))
    reach = Reach(
        row.take("ways", _known(ways, urgency), None),
        row.take("unattended_ways", _known(ways, urgency), None),
        row.take("next_ways", _known(ways, urgency), ()),
        row.take("next_after", values.duration(30, 86400), 300.0),
        hand_over_to,
        again.index(hand_over_s) + 1 if hand_over_s is not None else 0,
        hand_over_s in remind_after_s,
    )
    taking = [name for name, urgencies in ways.items() if urgency in urgencies]
    if row.table and taking and not any(reach.at_once(name) for name in taking):
        row.wrong("nobody would be told at once: every way is kept for later; name those in ways")
    if "next_after" in row.table and not reach.next_ways:
        row.wrong("there is no next way to try; name one in next_ways", "next_after")
    return Plan(again, row.take("tell_end", values.flag, False)), reach


def _warn_of_idle(section: Section, reaches: Mapping[str, Reach], ways: Ways) -> None:
    """Warn of a way that the plan leaves out of everything it takes."""
    for name, urgencies in ways.items():
        if not any(_uses(reaches[urgency], name) for urgency in urgencies):
            section.warn(f'"{name}" gets no message by this plan but the test message')


def _uses(reach: Reach, name: str) -> bool:
    named = {*(reach.unattended_ways or ()), *reach.next_ways, *reach.hand_over_to}
    return reach.ways is None or name in {*reach.ways, *named}


def _known(ways: Ways, urgency: Urgency) -> Any:
    """Reader of names of ways, each known and taking the urgency."""

    def read(value: Any) -> str:
        name = values.text(value, 80)
        if name not in ways:
            offer = nearest(name, ways) or f"; known are {', '.join(ways) or 'none so far'}"
            raise Wrong(f'there is no way "{name}" under [send]{offer}')
        if urgency not in ways[name]:
            raise Wrong(f'"{name}" does not take {urgency}; add it to urgencies of that way')
        return name

    return values.several(read)


def _quiet(value: Any) -> tuple[tuple[int, int], ...]:
    spans = weektime.spans(value)
    held = sum((end - begin) % weektime.WEEK_MIN or weektime.WEEK_MIN for begin, end in spans)
    if held >= weektime.WEEK_MIN:
        raise Wrong("this leaves no hour of the week in which anything could be told")
    return spans


def _reminders(value: Any) -> tuple[float, ...]:
    if value == []:
        return ()
    found = values.several(values.duration(60, 7 * 86400), REMINDERS_MAX)(value)
    if list(found) != sorted(found):
        raise Wrong("the times count from the first message; write the shorter one first")
    return found
