"""The JSON interface: what the pages show and do, for programs of the shop's own."""

from typing import Annotated, Any

from fastapi import APIRouter, HTTPException, Path, Query, Request
from pydantic import BaseModel, ConfigDict, Field

from condmon.clock import rfc3339
from condmon.engine.outputs import Alert, Entry
from condmon.web.acts import SHELVE_MAX_S, TEXT_MAX, Act, perform
from condmon.web.machines import series_of, values_of
from condmon.web.now import trust
from condmon.web.parts import needs, parts_of, phone_of

router = APIRouter(prefix="/api", tags=["condmon"])

Instant = Annotated[int, Query(ge=0, le=7_289_654_400_000_000)]
"""Microseconds of UTC since 1970, up to the year 2200."""
_REFUSALS: dict[int | str, dict[str, Any]] = {
    400: {"description": "Something is missing"},
    401: {"description": "Not signed in"},
    403: {"description": "The role does not allow it, or the request is of another site"},
    404: {"description": "There is no such thing"},
    422: {"description": "It cannot be read"},
    429: {"description": "Too often"},
    503: {"description": "The store cannot be used now"},
}


class Wish(BaseModel):
    """One act of a person."""

    model_config = ConfigDict(extra="forbid", strict=True)

    do: Act
    alert: str = Field("", max_length=64)
    machine: str = Field("", max_length=64)
    check: str = Field("", max_length=200)
    text: str = Field("", max_length=TEXT_MAX)
    for_s: float = Field(0.0, ge=0, le=SHELVE_MAX_S, allow_inf_nan=False)


@router.get("/now", responses=_REFUSALS)
@needs("viewer")
def now(request: Request) -> dict[str, Any]:
    """Open alerts, and how far what is shown is of now."""
    parts = parts_of(request)
    known = trust(parts, parts.wording())
    with parts.reader() as reader:
        alerts = reader.alerts(open_only=True)
    return {
        "checked": rfc3339(known.checked_us) if known.checked_us else None,
        "newest_sample": rfc3339(known.newest_us) if known.newest_us else None,
        "doubt": known.doubt,
        "alerts": [alert_facts(alert) for alert in alerts],
    }


@router.get("/alerts/{alert}", responses=_REFUSALS)
@needs("viewer")
def alert(request: Request, alert: Annotated[str, Path(max_length=64)]) -> dict[str, Any]:
    """One alert as it stands now."""
    with parts_of(request).reader() as reader:
        found = reader.alert(alert)
    if found is None:
        raise HTTPException(404, "There is no such alert.")
    return alert_facts(found)


@router.get("/machines/{machine}", responses=_REFUSALS)
@needs("viewer")
def machine(request: Request, machine: Annotated[str, Path(max_length=64)]) -> dict[str, Any]:
    """A machine's signals: value, age and trouble in words."""
    parts = parts_of(request)
    found = parts.machine(machine)
    return {
        "machine": found.id,
        "name": found.name,
        "signals": values_of(parts, machine, parts.wording()),
    }


@router.get("/machines/{machine}/series", responses=_REFUSALS)
@needs("viewer")
def series(
    request: Request,
    machine: Annotated[str, Path(max_length=64)],
    from_us: Instant,
    to_us: Instant,
    points: Annotated[int, Query(ge=1, le=360)] = 360,
) -> dict[str, Any]:
    """Least and greatest value of each signal in each of at most `points` columns."""
    return series_of(parts_of(request), machine, from_us, to_us, points)


@router.get("/log", responses=_REFUSALS)
@needs("viewer")
def log(
    request: Request,
    before: Annotated[int, Query(ge=0, le=2**53)] = 0,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
    machine: Annotated[str, Query(max_length=64)] = "",
) -> dict[str, Any]:
    """Entries of the machine event log, newest first; `before` is the `place` to go on from."""
    with parts_of(request).reader() as reader:
        found = reader.entries_before(before, limit, machine)
    return {"entries": [{"place": place, **entry_facts(entry)} for place, entry in found]}


@router.get("/unexplained", responses=_REFUSALS)
@needs("viewer")
def unexplained(request: Request) -> dict[str, Any]:
    """Alerts that are over and have no cause yet, the oldest first."""
    with parts_of(request).reader() as reader:
        return {"alerts": [alert_facts(found) for found in reader.unexplained(200)]}


@router.post("/actions", responses=_REFUSALS)
@needs("operator")
def act(request: Request, wish: Wish) -> dict[str, Any]:
    """Do one thing; `entry` is what the log says of it, null while it is not written down yet."""
    by = phone_of(request).account
    entry = perform(parts_of(request), by, **wish.model_dump())
    return {"entry": entry_facts(entry) if entry else None}


def alert_facts(found: Alert) -> dict[str, Any]:
    """An alert for programs; instants as RFC 3339."""
    facts = {
        name: getattr(found, name)
        for name in (
            "id", "revision", "machine", "machine_name", "check", "signals", "urgency", "state",
            "count", "title", "what", "why", "look_first", "if_nobody", "caution", "judged",
            "acknowledged_by", "cause",
        )
    }  # fmt: skip
    for name in ("began", "raised", "ended", "acknowledged", "shelved_until"):
        at_us = getattr(found, f"{name}_us")
        facts[name] = rfc3339(at_us) if at_us is not None else None
    return facts


def entry_facts(entry: Entry) -> dict[str, Any]:
    """A line of the log for programs."""
    return {
        "id": entry.id,
        "at": rfc3339(entry.at_us),
        "machine": entry.machine,
        "kind": entry.kind,
        "text": entry.text,
        "facts": dict(entry.facts),
    }
