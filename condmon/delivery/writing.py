"""The letter of one or several deliveries: after an outage one message tells the whole story."""

from collections.abc import Callable, Sequence

from condmon.delivery.tellnow import Part
from condmon.engine.causes import RANK
from condmon.engine.ids import short_id
from condmon.engine.outputs import Message
from condmon.engine.settings import Settings
from condmon.senders.letter import Letter
from condmon.senders.words import compose, several

HeldUs = Callable[[Message], int]
"""From when a message may go out by the plan, microseconds of UTC."""


def letter_of(
    parts: Sequence[Part], route: str, settings: Settings, now_us: int, held_us: HeldUs
) -> Letter:
    """One letter in words that are true at `now_us`; the first part is what it goes out for."""
    first, site, calendar = parts[0], settings.site, settings.calendar
    if len(parts) == 1:
        due, held = first.due, held_us(first.due.message)
        title, text = compose(
            first.telling, due.message, first.alerts, site, calendar, now_us, held
        )
        return Letter(due.key, site, first.telling, due.message, first.alerts, title, text, now_us)
    parts = sorted(parts, key=_weight)
    # of another content another key: a receiver that folds repeats must not fold these
    fold = short_id("several", *sorted(f"{part.due.key} {part.telling}" for part in parts))
    rows = [(part.telling, part.due.message, part.alerts[0]) for part in parts]
    from_us = min(max(m.at_us, held_us(m)) for _, m, _ in rows)
    title, text = several(rows, site, calendar, now_us, from_us)
    urgency = max((m.urgency for _, m, _ in rows), key=RANK.__getitem__)
    alerts = tuple(dict.fromkeys(alert.id for _, _, alert in rows))
    message = Message(
        fold, min(m.at_us for _, m, _ in rows), "digest", 0, urgency, alerts, rows[0][1].machine,
        title, text,
    )  # fmt: skip
    return Letter(
        f"{fold}:{route}", site, "digest", message, tuple(alert for _, _, alert in rows), title,
        text, now_us,
    )  # fmt: skip


def _weight(part: Part) -> tuple[bool, int, int]:
    """What lasts stands before what is over, what is urgent before the rest, old before new."""
    over = part.alerts[0].ended_us is not None
    return over, -RANK[part.due.message.urgency], part.due.message.at_us
