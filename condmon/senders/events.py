"""Alerts as CloudEvents 1.0 carry them: what webhook and alert topic have in common. Pure."""

from typing import Any
from urllib.parse import quote

from condmon.clock import rfc3339
from condmon.engine.outputs import Alert

CONTENT_TYPE = "application/cloudevents+json"


def envelope(id_: str, type_: str, site: str, subject: str, at_us: int) -> dict[str, Any]:
    """The attributes of an event; `data` is added by who makes it."""
    return {
        "specversion": "1.0",
        "id": id_,
        "source": source(site),
        "type": type_,
        "subject": subject,
        "time": rfc3339(at_us),
        "datacontenttype": "application/json",
    }


def source(site: str) -> str:
    """Who speaks."""
    return f"condmon/{quote(site)}"


def alert_facts(alert: Alert) -> dict[str, Any]:
    """Everything about an alert; instants as RFC 3339 or null."""
    return {
        "id": alert.id,
        "revision": alert.revision,
        "state": alert.state,
        "machine": alert.machine,
        "machine_name": alert.machine_name,
        "check": alert.check,
        "signals": alert.signals,
        "urgency": alert.urgency,
        "began": rfc3339(alert.began_us),
        "raised": rfc3339(alert.raised_us),
        "ended": _time(alert.ended_us),
        "acknowledged": _time(alert.acknowledged_us),
        "acknowledged_by": alert.acknowledged_by,
        "shelved_until": _time(alert.shelved_until_us),
        "count": alert.count,
        "judged": alert.judged,
        "title": alert.title,
        "what": alert.what,
        "why": alert.why,
        "look_first": alert.look_first,
        "if_nobody": alert.if_nobody,
        "caution": alert.caution,
        "cause": alert.cause,
        "facts": alert.facts,
    }


def _time(at_us: int | None) -> str | None:
    return None if at_us is None else rfc3339(at_us)
