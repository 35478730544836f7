"""The first page, what needs someone now; and the page of one alert."""

from collections.abc import Sequence
from typing import Any, NamedTuple

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response

from condmon.engine.outputs import Alert
from condmon.engine.view import MachineView
from condmon.web.parts import Parts, needs, parts_of, shown
from condmon.web.wording import Wording

router = APIRouter(include_in_schema=False)

VIEW_OLD_US = 15_000_000
"""The turn puts a view in each second; none for so long means that it hangs."""
SAMPLE_OLD_US = 600_000_000
"""No sample of any machine for so long: nothing is known of now."""

_RANK = {"now": 0, "today": 1, "note": 2}
SHELVED = {"shelved", "out_of_service", "suppressed"}


class Trust(NamedTuple):
    """How far what is shown is of now. `doubt` is empty when all is well."""

    checked_us: int | None
    newest_us: int | None
    doubt: str


def trust(parts: Parts, wording: Wording) -> Trust:
    """Look how old everything is."""
    seen = parts.live.seen()
    if seen is None or seen.view.at_us == 0:
        return Trust(None, None, "condmon is coming up; nothing is known of now yet.")
    view, now_us = seen.view, wording.now_us
    heard = [s.heard_us for m in view.machines for s in m.signals if s.heard_us is not None]
    newest_us = max(heard, default=None)
    doubt = ""
    if now_us - seen.put_us > VIEW_OLD_US or now_us - view.at_us > SAMPLE_OLD_US:
        doubt = (
            f"condmon itself has not looked since {wording.clock(min(seen.put_us, view.at_us))}: "
            "what is shown is of then."
        )
    elif not view.linked:
        doubt = "No connection to the broker: what happens at the machines now is not known."
    elif newest_us is None:
        doubt = "No sample has come from any machine yet: nothing is known of them."
    elif now_us - newest_us > SAMPLE_OLD_US:
        doubt = f"No sample from any machine since {wording.when(newest_us)}."
    return Trust(view.at_us, newest_us, doubt)


def sorted_alerts(alerts: Sequence[Alert]) -> tuple[list[Alert], list[Alert], list[Alert]]:
    """Alerts nobody has seen, those that were, those laid aside; the most urgent first."""
    order = sorted(alerts, key=lambda a: (_RANK[a.urgency], a.ended_us is not None, -a.raised_us))
    aside = [a for a in order if a.state in SHELVED]
    unseen = [a for a in order if a.state.endswith("_unacknowledged")]
    seen = [a for a in order if a.state == "active_acknowledged"]
    return unseen, seen, aside


def headline(unseen: Sequence[Alert], seen: Sequence[Alert], doubt: str) -> str:
    """The one sentence of the first page."""
    calling = {a.machine for a in unseen if a.urgency != "note" or a.ended_us is None}
    if calling:
        return "1 machine needs you" if len(calling) == 1 else f"{len(calling)} machines need you"
    if unseen:
        return "Something was there and is over"
    if seen:
        return "Nothing new needs you"
    return "Nothing is known to need you" if doubt else "Nothing needs you"


@router.get("/")
@needs("viewer")
def now_page(request: Request) -> Response:
    """What needs someone now, and how each machine stands."""
    parts = parts_of(request)
    wording = parts.wording()
    with parts.reader() as reader:
        alerts = reader.alerts(open_only=True)
        unexplained = reader.unexplained_count()
    known = trust(parts, wording)
    unseen, seen, aside = sorted_alerts(alerts)
    return shown(
        request,
        "now.html",
        wording=wording,
        trust=known,
        headline=headline(unseen, seen, known.doubt),
        unseen=unseen,
        seen=seen,
        aside=aside,
        unexplained=unexplained,
        machines=machine_rows(parts),
        looks=looks,
    )


@router.get("/alerts/{alert_id}")
@needs("viewer")
def alert_page(request: Request, alert_id: str) -> Response:
    """Everything about one alert, in the order of a person's questions."""
    parts = parts_of(request)
    wording = parts.wording()
    with parts.reader() as reader:
        alert = reader.alert(alert_id[:64])
        if alert is None:
            raise HTTPException(404, "There is no such alert.")
        story = reader.entries_of_alert(alert.id, alert.machine, 50)
    return shown(
        request,
        "alert.html",
        wording=wording,
        trust=trust(parts, wording),
        alert=alert,
        look=looks(alert),
        state=state_words(alert, wording),
        story=story,
        check_key=_check_key(parts, alert),
        can_acknowledge=alert.state.endswith("_unacknowledged"),
        can_take_back=alert.acknowledged_us is not None
        and (alert.state == "active_acknowledged" or (alert.state == "normal" and not alert.cause)),
    )


def looks(alert: Alert) -> str:
    """Words for the style sheet: urgency, whether seen, whether still there."""
    seen = "unseen" if alert.state.endswith("_unacknowledged") else "seen"
    live = "over" if alert.ended_us is not None else "live"
    aside = " aside" if alert.state in SHELVED else ""
    return f"u-{alert.urgency} {seen} {live}{aside}"


def state_words(alert: Alert, wording: Wording) -> str:
    """Who has seen it and whether it is still there, in one sentence."""
    over = f"Over since {wording.since(alert.ended_us)}. " if alert.ended_us is not None else ""
    if alert.state == "shelved" and alert.shelved_until_us:
        return f"{over}Shelved until {wording.when(alert.shelved_until_us)}."
    if alert.state == "suppressed":
        why = "it follows from another alert" if alert.facts.get("follows") else "it chatters"
        why = "a visit was going on" if alert.facts.get("visit") else why
        return f"{over}Nobody was told of it, because {why}."
    if alert.state == "out_of_service":
        return f"{over}The check is out of service."
    if alert.acknowledged_us is not None and alert.state != "active_unacknowledged":
        return f"{over}Seen by {alert.acknowledged_by}, {wording.since(alert.acknowledged_us)}."
    if alert.state == "normal":
        return over
    return f"{over}Nobody has seen it yet."


def machine_rows(parts: Parts) -> list[dict[str, Any]]:
    """Each machine with what it is doing and how many of its signals cannot be relied on."""
    seen = parts.live.seen()
    views: dict[str, MachineView] = {m.id: m for m in seen.view.machines} if seen else {}
    rows = []
    for machine in parts.settings.machines:
        view = views.get(machine.id)
        bad = [s for s in view.signals if s.standing not in {"good", "unfed"}] if view else []
        rows.append({"machine": machine, "view": view, "bad": len(bad)})
    return rows


def _check_key(parts: Parts, alert: Alert) -> str:
    """Key of the check that holds this alert now; empty when none does."""
    seen = parts.live.seen()
    for view in seen.view.machines if seen else ():
        for check in view.checks:
            if check.alert == alert.id:
                return check.key
    return ""
