"""The text of a message for people. The first 40 characters of a title carry it.

Pure. Order of the text: urgency and machine; what; since when; value against normal; why it
matters; what to look at first; what happens if nobody acts; who has seen it; caution.
"""

from collections.abc import Sequence

from condmon.engine.outputs import Alert, Message
from condmon.engine.settings import Calendar
from condmon.engine.words import span
from condmon.senders.letter import Telling

LATE_US = 300_000_000
"""A message older than this when it goes out says for how long it could not be sent."""

NAME_CHARACTERS_MAX = 18

ONLY_WATCHES = "condmon only watches: it stops no machine and is no safety device."


def compose(
    telling: Telling,
    message: Message,
    alerts: Sequence[Alert],
    site: str,
    calendar: Calendar,
    now_us: int,
) -> tuple[str, str]:
    """Title and text of a message as things stand at `now_us`."""
    late = _late(message, now_us)
    if telling == "digest" or not alerts:
        parts = [message.text, late]
        title = message.title
    else:
        title = _title(telling, message, alerts[0], late)
        parts = _alert_text(telling, alerts[0], calendar, now_us, late)
    text = "\n".join(part for part in [*parts, "", ONLY_WATCHES, site] if part is not None)
    return title, text + "\n"


def machine_word(alert: Alert) -> str:
    """Give the machine's name, short enough to leave room for what is wrong with it."""
    if len(alert.machine_name) <= NAME_CHARACTERS_MAX:
        return alert.machine_name or alert.machine
    if len(alert.machine) <= NAME_CHARACTERS_MAX:
        return alert.machine
    return alert.machine_name[: NAME_CHARACTERS_MAX - 1] + "…"


def _late(message: Message, now_us: int) -> str | None:
    late_us = now_us - message.at_us
    if late_us < LATE_US:
        return None
    return f"This message could not be sent for {span(late_us / 1e6)}."


def _title(telling: Telling, message: Message, alert: Alert, late: str | None) -> str:
    urgency = alert.urgency.upper()
    head = {
        "raised": urgency,
        "reminder": f"{urgency} again ({message.step})",
        "ended": "over",
        "story": "over, told late" if late else "came and went",
    }.get(telling, urgency)
    return f"{machine_word(alert)} {head}: {alert.title}"


def _alert_text(
    telling: Telling, alert: Alert, calendar: Calendar, now_us: int, late: str | None
) -> list[str | None]:
    over = alert.ended_us is not None
    urgency = f"{alert.urgency.upper()}{', over' if over else ''}"
    return [
        f"{urgency}: {alert.machine_name or alert.machine}",
        alert.title,
        _when(alert, calendar, now_us),
        _standing(alert, over),
        late,
        f"\n{alert.what}" if alert.what else None,
        f"\nWhy it matters: {alert.why}" if alert.why else None,
        _look_first(alert),
        f"\nIf nobody acts: {alert.if_nobody}" if alert.if_nobody and not over else None,
        f"\nSeen by: {_seen(alert, calendar)}",
        _cause(alert) if telling in {"ended", "story"} else None,
        f"\nCaution: {alert.caution}" if alert.caution else None,
    ]


def _when(alert: Alert, calendar: Calendar, now_us: int) -> str:
    began = calendar.text(alert.began_us)
    if alert.ended_us is None:
        return f"Since {began} ({span((now_us - alert.began_us) / 1e6)} ago)"
    lasted = span((alert.ended_us - alert.began_us) / 1e6)
    return f"Began {began}, ended {calendar.text(alert.ended_us)}, after {lasted}"


def _standing(alert: Alert, over: bool) -> str | None:
    if over:
        return None
    if not alert.judged:
        return "It cannot be judged now, because a signal it needs is missing. It may have ended."
    if alert.count > 1:
        return f"It came back {alert.count - 1} times since."
    return None


def _look_first(alert: Alert) -> str | None:
    if not alert.look_first:
        return None
    steps = [f"{number}. {step}" for number, step in enumerate(alert.look_first, 1)]
    return "\n".join(["\nLook at this first:", *steps])


def _seen(alert: Alert, calendar: Calendar) -> str:
    if not alert.acknowledged_by:
        return "nobody yet"
    at = f", {calendar.text(alert.acknowledged_us)}" if alert.acknowledged_us else ""
    return f"{alert.acknowledged_by}{at}"


def _cause(alert: Alert) -> str:
    return f"Cause: {alert.cause or 'nobody has written it down yet'}"
