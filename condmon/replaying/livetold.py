"""What people were told live, and by which ways, against what a replay and the plan would tell.

Compared is every message that the engine makes: its words, and the ways that the plan gives it
against those it was given live. What became of it then (sent, failed, found stale, by the next way
because the first did not answer) depends on receivers of that day; it is told, not compared.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from condmon.config import Config
from condmon.config.ways import ways_of
from condmon.delivery.plan import Routing, routing_of
from condmon.engine.outputs import Message
from condmon.spans import Span
from condmon.store.journal import Reader, message_of

OURS = (
    "messages that the daemon made from the journal and the clock (morning note, weekly report, "
    "test message) are not compared, for a replay has no journal"
)
ENLARGED = (
    "digests were told with what only the journal knew; of these time and alerts are compared, not "
    "the words"
)
PRESENT = (
    "the ways are those of the present [plan] and ways of sending; where these were changed since, "
    "messages part that did not part then"
)


@dataclass(slots=True)
class Given:
    """Messages of a span as the journal holds them, and the ways each was given."""

    messages: dict[str, Message] = field(default_factory=dict)
    ways: dict[str, set[str]] = field(default_factory=dict)
    became: Counter[str] = field(default_factory=Counter)  # deliveries by their state
    ours: int = 0


class TellReader(Reader):
    """A `Reader` that gathers what was to be told in a span; raises StoreError like it."""

    def given(self, span: Span) -> Given:
        """Messages of [from, to) and their deliveries."""
        found = Given()
        for (body,) in self._rows(
            "SELECT body FROM message WHERE at_us >= ? AND at_us < ? ORDER BY at_us, id", *span
        ):
            message = message_of(body)
            if message.kind == "digest" and not message.alerts:
                found.ours += 1
            else:
                found.messages[message.id] = message
        for message_id, route, state in self._rows(
            "SELECT message, route, delivery.state FROM delivery JOIN message"
            " ON message.id = message WHERE at_us >= ? AND at_us < ?", *span
        ):  # fmt: skip
            if message_id in found.messages:
                found.ways.setdefault(message_id, set()).add(route)
                found.became[state] += 1
        return found


class Planned:
    """The ways that the plan of a configuration gives a message."""

    def __init__(self, config: Config) -> None:
        self._routing: Routing = routing_of(config)
        self._ways = ways_of(config)

    def ways(self, message: Message) -> set[str]:
        """Names of the ways it takes by itself."""
        takes = self._routing.takes
        return {way.name for way in self._ways if takes(way.name, way.urgencies, message)}

    def by_itself(self, message: Message, given: Iterable[str]) -> set[str]:
        """Ways it was given live, without those it was given as the next way of the plan."""
        planned = self.ways(message)
        later = set(self._routing.reach(message.urgency).next_ways) - planned
        return set(given) - later


def rows(
    messages: Mapping[str, Message], ways: Mapping[str, set[str]]
) -> dict[str, tuple[int, str, str]]:
    """When, which machine and what is compared of each message, by its id."""
    return {i: (m.at_us, m.machine, _words(m, ways.get(i, set()))) for i, m in messages.items()}


def notes(given: Given, *, parted: bool) -> Iterator[str]:
    """What became of the messages, and what was not compared."""
    if given.became:
        counts = ", ".join(f"{count} {state}" for state, count in sorted(given.became.items()))
        yield f"what became of the {given.became.total()} deliveries is of that day alone: {counts}"
    if given.ours:
        yield f"{given.ours} {OURS}"
    if digests := sum(message.kind == "digest" for message in given.messages.values()):
        yield f"{digests} {ENLARGED}"
    if parted:
        yield PRESENT


def _words(message: Message, ways: set[str]) -> str:
    by = ", ".join(sorted(ways)) or "no way"
    if message.kind == "digest":
        return f"digest of {len(message.alerts)} notes ({', '.join(message.alerts)}) by {by}"
    text = "; ".join(message.text.splitlines())
    return f"{message.urgency} {message.kind} by {by}: {message.title}: {text}"
