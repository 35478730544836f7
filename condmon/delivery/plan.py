"""The plan at work: which ways a message takes, and from when. A pure function of the message.

What was decided once comes out the same when a turn is written again after a crash.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from condmon.config import Config
from condmon.config.shape import Reach, Reaching
from condmon.engine.outputs import Message
from condmon.engine.settings import Calendar, Urgency
from condmon.senders.letter import Sender
from condmon.store.journal import Route

WEEK_MIN, DAY_MIN = 7 * 1440, 1440
QUIET_SPANS_MAX = 50  # spans of quiet hours that follow one another


@dataclass(frozen=True, slots=True)
class Routing:
    """What the configuration says of ways and hours.

    Parameters
    ----------
    calendar : Calendar
        The site's wall clock.
    unattended : sequence of (from, to)
        Minutes of the week in which nobody is there.
    reaching : Reaching
        The plan.
    """

    calendar: Calendar
    unattended: Sequence[tuple[int, int]]
    reaching: Reaching

    def reach(self, urgency: Urgency) -> Reach:
        """How messages of an urgency go out."""
        return self.reaching.reaches.get(urgency, Reach())

    def takes(self, name: str, urgencies: Sequence[Urgency], message: Message) -> bool:
        """Whether a message goes by a way, as things are planned."""
        reach = self.reach(message.urgency)
        alone = reach.unattended_ways is not None and self._alone(message)
        first = message.urgency in urgencies and (
            name in (reach.unattended_ways or ()) if alone else reach.at_once(name)
        )
        if message.kind == "ended":  # the lane leaves it out where nothing was told
            return first or name in {*(reach.ways or ()), *(reach.unattended_ways or ()),
                                     *reach.next_ways, *reach.hand_over_to}  # fmt: skip
        if message.kind != "reminder" or not 0 < reach.hand_over_step <= message.step < 100:
            return first
        if message.step > reach.hand_over_step or reach.hand_over_reminds:
            return first or name in reach.hand_over_to
        return name in reach.hand_over_to

    def held_until_us(self, message: Message) -> int:
        """When a message may go out: at its time, or at the end of the quiet hours."""
        at_us = message.at_us
        if message.urgency == "now":
            return at_us
        for _ in range(QUIET_SPANS_MAX):
            minute = self.calendar.minute_of_week(at_us)
            ends = [end for span in self.reaching.quiet for end in [span[1]] if _in(span, minute)]
            if not ends:
                break
            day, of_day = divmod(ends[0] % WEEK_MIN, DAY_MIN)
            at_us = self.calendar.next_local(at_us, of_day, frozenset({day}))
        return at_us

    def _alone(self, message: Message) -> bool:
        """Whether it goes out when nobody is there."""
        minute = self.calendar.minute_of_week(self.held_until_us(message))
        return any(_in(span, minute) for span in self.unattended)


@dataclass(frozen=True, slots=True)
class PlannedRoute(Route):
    """A way to people that takes what the plan gives it."""

    routing: Routing

    def starts_us(self, message: Message, now_us: int) -> int | None:
        """When a message may go by this way; None when it does not go there."""
        if not self.routing.takes(self.name, self.urgencies, message):
            return None
        held_us = self.routing.held_until_us(message)
        return held_us if held_us > max(message.at_us, now_us) else now_us


def routing_of(config: Config) -> Routing:
    """The plan of a configuration."""
    settings = config.settings
    return Routing(settings.calendar, settings.unattended, config.reaching)


def routes_of(config: Config, senders: Sequence[Sender]) -> list[Route]:
    """One route a sender."""
    routing = routing_of(config)
    return [PlannedRoute(s.name, tuple(s.urgencies), routing) for s in senders]


def _in(span: tuple[int, int], minute: int) -> bool:
    """Whether a minute of the week lies in a span [from, to) that may wrap."""
    begin, end = span
    return begin <= minute < end if begin < end else minute >= begin or minute < end
