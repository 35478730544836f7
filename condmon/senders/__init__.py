"""One file per way to reach people; `make` makes the senders a configuration asks for."""

import threading
from collections.abc import Callable

from condmon.clock import Clock
from condmon.config import Config
from condmon.senders.email import EmailSender
from condmon.senders.letter import Letter, Sender
from condmon.senders.pictures import Draw
from condmon.senders.webhook import WebhookSender

__all__ = ["Letter", "Sender", "followers", "make"]


def make(config: Config, draw: Draw | None = None) -> list[Sender]:
    """Make one sender for each way that messages take; `draw` makes the pictures of mails."""
    webhooks = [WebhookSender(webhook) for webhook in config.webhooks]
    emails = [EmailSender(email, draw) for email in config.emails]
    return [*webhooks, *emails, *_pushes(config), *_services(config)]


def _pushes(config: Config) -> list[Sender]:
    if not config.pushes:
        return []
    from condmon.senders.push import PushSender  # its library loads only where it is used

    return [PushSender(push, config.store.path) for push in config.pushes]


def _services(config: Config) -> list[Sender]:
    if not config.services:
        return []
    from condmon.senders.services import ServicesSender

    return [ServicesSender(services) for services in config.services]


def followers(config: Config, clock: Clock) -> list[Callable[[threading.Event], None]]:
    """What follows the alerts by itself until told to stop, beside the messages."""
    if config.alert_topic is None:
        return []
    from condmon.senders.topic import TopicFollower

    site, folder = config.settings.site, config.store.path
    return [TopicFollower(config.alert_topic, config.broker, site, folder, clock).run]
