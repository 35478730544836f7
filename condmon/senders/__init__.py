"""One file per way to reach people; `make` makes the senders a configuration asks for."""

from condmon.config import Config
from condmon.senders.email import EmailSender
from condmon.senders.letter import Letter, Sender
from condmon.senders.webhook import WebhookSender

__all__ = ["Letter", "Sender", "make"]


def make(config: Config) -> list[Sender]:
    """Make one sender for each [[send.webhook]] and [[send.email]]."""
    webhooks = [WebhookSender(webhook) for webhook in config.webhooks]
    emails = [EmailSender(email) for email in config.emails]
    return [*webhooks, *emails]
