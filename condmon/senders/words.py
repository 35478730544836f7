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
TOLD_MAX = 20
"""Of several alerts in one message so many are told, the others counted."""

QUIET = "It waited for the end of the quiet hours."
UNSEEN = "Others were told before you; nobody has acknowledged it."

ONLY_WATCHES = "condmon only watches: it stops no machine and is no safety device."


def compose(
    telling: Telling,
    message: Message,
    alerts: Sequence[Alert],
    site: str,
    calendar: Calendar,
    now_us: int,
    held_us: int = 0,
) -> tuple[str, str]:
    """Title and text of a message as things stand at `now_us`; `held_us`: quiet until then."""
    late = _late(max(message.at_us, held_us), now_us)
    quiet = QUIET if held_us > message.at_us else None
    if telling == "digest" or not alerts:
        parts = [message.text, late, quiet]
        title = message.title
    else:
        title = _title(telling, message, alerts[0], late)
        why_late = "\n".join(line for line in (late, quiet) if line) or None
        parts = _alert_text(telling, alerts[0], calendar, now_us, why_late)
    return title, _whole(parts, site)


def several(
    rows: Sequence[tuple[Telling, Message, Alert]],
    site: str,
    calendar: Calendar,
    now_us: int,
    from_us: int,
) -> tuple[str, str]:
    """Title and text of several alerts told together, the first the one that matters most.

    `from_us` is when the first of them could have gone out.
    """
    telling, message, alert = rows[0]
    title = f"{_title(telling, message, alert, None)}, and {len(rows) - 1} more"
    late = _late(from_us, now_us)
    waited = late.replace("This message", "These messages") if late else QUIET.replace("It", "They")
    parts: list[str | None] = [f"{len(rows)} alerts as they stand now. {waited}"]
    for _, _, one in rows[:TOLD_MAX]:
        over = one.ended_us is not None
        parts += [
            f"\n{one.urgency.upper()}{', over' if over else ''}: {machine_word(one)}: {one.title}",
            _when(one, calendar, now_us),
            _standing(one, over),
            one.what or None,
            f"Look first: {one.look_first[0]}" if one.look_first and not over else None,
            f"Seen by: {_seen(one, calendar)}",
            f"Caution: {one.caution}" if one.caution and not over else None,
        ]
    if len(rows) > TOLD_MAX:
        parts.append(f"\nand {len(rows) - TOLD_MAX} more; the log has them all.")
    return title, _whole(parts, site)


def _whole(parts: Sequence[str | None], site: str) -> str:
    lines = [part for part in [*parts, "", ONLY_WATCHES, site] if part is not None]
    return "\n".join(lines) + "\n"


def machine_word(alert: Alert) -> str:
    """Give the machine's name, short enough to leave room for what is wrong with it."""
    if len(alert.machine_name) <= NAME_CHARACTERS_MAX:
        return alert.machine_name or alert.machine
    if len(alert.machine) <= NAME_CHARACTERS_MAX:
        return alert.machine
    return alert.machine_name[: NAME_CHARACTERS_MAX - 1] + "…"


def _late(from_us: int, now_us: int) -> str | None:
    late_us = now_us - from_us
    if late_us < LATE_US:
        return None
    return f"This message could not be sent for {span(late_us / 1e6)}."


def _title(telling: Telling, message: Message, alert: Alert, late: str | None) -> str:
    urgency = alert.urgency.upper()
    head = {
        "raised": urgency,
        "reminder": f"{urgency} again ({message.step})",
        "handed_over": f"{urgency}, unseen",
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
        UNSEEN if telling == "handed_over" else None,
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
