"""What people do about alerts: each act is a record through the inbox, and its line in the log."""

from typing import Annotated, Literal

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import Response

from condmon.engine.outputs import Entry
from condmon.engine.records import ActionName
from condmon.engine.settings import CONDMON
from condmon.web.parts import Parts, back_to, needs, parts_of, phone_of

router = APIRouter(include_in_schema=False)

TEXT_MAX = 600
SHELVE_MIN_S, SHELVE_MAX_S = 60.0, 7 * 86400.0
Act = Literal[
    "acknowledge",
    "unacknowledge",
    "shelve",
    "unshelve",
    "out_of_service",
    "return_to_service",
    "note",
    "cause",
]
Id = Annotated[str, Form(max_length=64)]


@router.post("/act")
@needs("operator")
def act(
    request: Request,
    do: Annotated[Act, Form()],
    alert: Id = "",
    machine: Id = "",
    check: Annotated[str, Form(max_length=200)] = "",
    text: Annotated[str, Form(max_length=TEXT_MAX)] = "",
    for_s: Annotated[float, Form(ge=0, le=SHELVE_MAX_S, allow_inf_nan=False)] = 0.0,
    back: Annotated[str, Form(max_length=300)] = "/",
) -> Response:
    """Do one thing and show the page again, with what the log says of it."""
    entry = perform(
        parts_of(request), phone_of(request).account, do, alert, machine, check, text, for_s
    )
    return back_to(back, entry.id if entry else "later")


def perform(
    parts: Parts,
    by: str,
    do: ActionName,
    alert: str = "",
    machine: str = "",
    check: str = "",
    text: str = "",
    for_s: float = 0.0,
) -> Entry | None:
    """Check what was asked, put it in, give the entry it made; HTTPException in plain words."""
    text = " ".join(text.split())
    if do in {"acknowledge", "unacknowledge", "shelve", "unshelve", "cause"}:
        with parts.reader() as reader:
            known = reader.alert(alert) if alert else None
        if known is None:
            raise HTTPException(404, "There is no such alert.")
        machine = known.machine
    elif machine not in {CONDMON, *(m.id for m in parts.settings.machines)}:
        raise HTTPException(404, "There is no such machine.")
    if do in {"note", "cause"} and not text:
        raise HTTPException(400, "There is nothing written; write it down and send it again.")
    if do == "shelve" and not SHELVE_MIN_S <= for_s <= SHELVE_MAX_S:
        raise HTTPException(400, "Shelving always has an end: from 1 minute to 7 days.")
    if do in {"out_of_service", "return_to_service"} and not _has_check(parts, machine, check):
        raise HTTPException(404, "This machine has no such check.")
    return parts.live.act(do, by, alert=alert, machine=machine, check=check, text=text, for_s=for_s)


def _has_check(parts: Parts, machine: str, check: str) -> bool:
    seen = parts.live.seen()
    return seen is not None and any(
        c.key == check for m in seen.view.machines if m.id == machine for c in m.checks
    )
