"""What every part of the service book is, and what it is told of the moment. Pure."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

from condmon.engine.records import Filed
from condmon.engine.servicebook.fields import Content
from condmon.engine.servicebook.life import Counts

if TYPE_CHECKING:
    from condmon.engine.servicebook.book import ServiceBook


class Moment(NamedTuple):
    """What a part may want to know when something is filed."""

    machines: Mapping[str, str]  # id -> name
    counts: Mapping[str, Counts]  # machine -> its counters at this moment
    book: "ServiceBook"

    def counts_of(self, machine: str) -> Counts:
        """Counters of a machine; none for the store."""
        return self.counts.get(machine, {})


class Part(Protocol):
    """One part of the book: it keeps the kinds of record it names in `whats`."""

    whats: tuple[str, ...]

    def take(self, filed: Filed, content: Content, moment: Moment) -> str:
        """Take up a record and say it in a sentence. Raises Refused, and nothing has changed."""

    def state(self) -> dict[str, Any]:
        """What has to survive a restart: plain values."""

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
