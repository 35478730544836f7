"""The plan in words, as `condmon check` tells it: who hears of what, when again, when not."""

from collections.abc import Iterator, Sequence

from condmon.config import Config
from condmon.config.shape import Reach
from condmon.config.ways import Way, ways_of
from condmon.engine.settings import Plan, Urgency
from condmon.engine.words import span

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
URGENCIES: tuple[Urgency, ...] = ("now", "today", "note")


def plan_words(config: Config) -> list[str]:
    """One line an urgency, then quiet hours, test message and alert topic; empty without ways."""
    ways, reaching = ways_of(config), config.reaching
    lines = [
        f"{urgency}: {'; '.join(_urgency(config, ways, urgency))}" for urgency in URGENCIES if ways
    ]
    if ways and reaching.quiet:
        hours = ", ".join(f"{_minute(begin)} to {_minute(end)}" for begin, end in reaching.quiet)
        lines.append(f"quiet, but for now: {hours}")
    if ways and reaching.test_minute is not None:
        hour, minute = divmod(reaching.test_minute, 60)
        days = " ".join(DAYS[day] for day in sorted(reaching.test_days))
        lines.append(f"test message: {hour:02d}:{minute:02d} on {days}")
    if config.alert_topic:
        taken = ", ".join(config.alert_topic.urgencies)
        lines.append(f"alert topic {config.alert_topic.topic}: {taken}")
    return lines


def _urgency(config: Config, ways: Sequence[Way], urgency: Urgency) -> Iterator[str]:
    reach = config.reaching.reaches.get(urgency, Reach())
    plan = config.settings.plans.get(urgency, Plan())
    first = [way.name for way in ways if urgency in way.urgencies and reach.at_once(way.name)]
    yield ", ".join(first) or "nobody"
    if reach.unattended_ways:
        yield f"in unattended hours {', '.join(reach.unattended_ways)}"
    if reach.next_ways:
        after = span(reach.next_after_s)
        yield f"if none gets through in {after}: {', then '.join(reach.next_ways)}"
    again = [
        span(after_s)
        for step, after_s in enumerate(plan.remind_after_s, 1)
        if step != reach.hand_over_step or reach.hand_over_reminds
    ]
    if again:
        yield f"again after {', '.join(again)}"
    if reach.hand_over_step:
        after = span(plan.remind_after_s[reach.hand_over_step - 1])
        yield f"unseen after {after}: {', '.join(reach.hand_over_to)}"
    if plan.tell_end:
        yield "and its end"


def _minute(of_week: int) -> str:
    """A minute of the week as a shop says it; the end of the week is Sunday 24:00."""
    day, of_day = divmod(of_week, 1440)
    return f"{DAYS[day]} {of_day // 60:02d}:{of_day % 60:02d}" if day < 7 else "Sun 24:00"
