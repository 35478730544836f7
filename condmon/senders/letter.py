"""What a sender gets and what a sender is. Plain values; imports the engine's outputs only."""

from dataclasses import dataclass
from typing import Literal, Protocol

from condmon.engine.outputs import Alert, Message
from condmon.engine.settings import Urgency

Telling = Literal["raised", "reminder", "handed_over", "ended", "story", "digest"]
"""How a message is told. `story`: the alert had ended before anyone could be told that it had
begun, so one message tells the whole of it and nothing in it is presented as present.
`handed_over`: others were told before and nobody has acknowledged it. `digest`: several alerts."""


@dataclass(frozen=True, slots=True)
class Letter:
    """One message on its way to people, in words that are true at the moment of sending.

    `key` is the same at every try, so that a receiver can tell a repeat. `alerts` are the alerts
    as they stand now, `sent_us` is the instant of this try.
    """

    key: str
    site: str
    telling: Telling
    message: Message
    alerts: tuple[Alert, ...]
    title: str
    text: str
    sent_us: int


class Sender(Protocol):
    """One way to reach people."""

    @property
    def name(self) -> str:
        """The route's name in the configuration."""

    @property
    def urgencies(self) -> tuple[Urgency, ...]:
        """The urgencies this route takes."""

    def send(self, letter: Letter) -> str | None:
        """Hand one letter over, within a time limit; a note if it went only partly.

        Raises SendError, which says whether trying again can help.
        """
