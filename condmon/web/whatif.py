"""What if a check had other figures: weighed over recorded days before anyone changes a file."""

from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from fastapi.responses import Response

from condmon.clock import parse_rfc3339
from condmon.config import load
from condmon.config.values import URGENCIES
from condmon.engine.checks.book import CHECKS, checks_of
from condmon.engine.settings import Adjust, Machine, Settings
from condmon.engine.words import span
from condmon.errors import ConfigError
from condmon.store.inforce import in_force
from condmon.web.parts import Parts, back_to, needs, parts_of, shown

router = APIRouter(include_in_schema=False)

SPANS = (7, 30, 90)
SHOWN_MAX = 200
KINDS = {
    "only_here": "would not be raised any more",
    "only_there": "would be new",
    "earlier_there": "would come earlier",
    "later_there": "would come later",
    "other_urgency": "would be of another urgency",
}


@router.get("/what-if")
@needs("viewer")
def whatif_page(request: Request, machine: str = "", check: str = "") -> Response:
    """Choose a check, then its figures; below, what came of the last weighing."""
    parts = parts_of(request)
    found = next((m for m in parts.settings.machines if m.id == machine), None)
    known = _checks(parts.settings, found) if found else {}
    last = parts.weighing.last
    rows = [
        row | {"at_us": parse_rfc3339(row["raised_here"] or row["raised_there"]) or 0}
        for row in (last.rows if last else ())
        if row["kind"] == "difference"
    ]
    return shown(
        request,
        "whatif.html",
        machines=parts.settings.machines,
        machine=found,
        checks=known,
        check=check if check in known else "",
        fields=_fields(parts.settings, found, check) if found and check in known else {},
        spans=SPANS,
        urgencies=URGENCIES,
        last=last,
        kinds=[(name, text, [r for r in rows if r["what"] == name][:SHOWN_MAX])
               for name, text in KINDS.items()],
        total=next((row for row in last.rows if row["kind"] == "comparison"), None)
        if last else None,
        file_changed=_file_changed(parts),
    )  # fmt: skip


@router.post("/what-if")
@needs("operator")
async def weigh(
    request: Request,
    machine: Annotated[str, Form(max_length=64)] = "",
    check: Annotated[str, Form(max_length=64)] = "",
    days: Annotated[int, Form()] = 30,
) -> Response:
    """Begin a weighing of the figures that were filled in, or of the file as it is now."""
    parts = parts_of(request)
    words = [f"--days={days if days in SPANS else SPANS[0]}"]
    title = "the configuration file as it is now"
    found = next((m for m in parts.settings.machines if m.id == machine), None)
    if found is not None and check in _checks(parts.settings, found):
        form = await request.form()
        fields = _fields(parts.settings, found, check)
        wishes = {
            key: str(form[key]).strip()[:40]
            for key in fields
            if key in form and str(form[key]).strip() not in {"", fields[key]}
        }
        if not wishes:
            return back_to(f"/what-if?machine={machine}&check={check}")
        words += [f"--set={check}.{key}={value}" for key, value in wishes.items()]
        words.append(f"--machine={machine}")
        told = ", ".join(f"{key} {value}" for key, value in wishes.items())
        title = f"{check} of {found.name} with {told}"
    parts.weighing.start(f"{title}, over {words[0][7:]} days", parts.config.path, words)
    return back_to("/what-if")


def _checks(settings: Settings, machine: Machine) -> dict[str, str]:
    """Shipped and own checks of a machine that are on, with their titles."""
    on, _ = checks_of(settings, machine)
    known = {kind.id for kind in CHECKS} | {own.id for own in settings.checks}
    names = {check.key.partition("/")[0]: check.title for check in on}
    return {name: title for name, title in sorted(names.items()) if name in known}


def _fields(settings: Settings, machine: Machine, check: str) -> dict[str, str]:
    """What can be changed of a check, as it is now; empty where that is the check's own default."""
    own = next((one for one in settings.checks if one.id == check), None)
    if own is not None:
        return {
            "hold": span(own.hold_s), "release": span(own.release_s), "urgency": own.urgency,
            "deadband": f"{own.deadband:g}", "enabled": "true",
        }  # fmt: skip
    kind: Any = next(one for one in CHECKS if one.id == check)
    now = machine.adjust.get(check, Adjust())
    figures = {
        name: f"{now.figures.get(name, default):g}" for name, default in kind.figures.items()
    }
    return {
        "hold": "" if now.hold_s is None else span(now.hold_s),
        "release": "" if now.release_s is None else span(now.release_s),
        "urgency": now.urgency or "",
        "enabled": "true",
        **figures,
    }


def _file_changed(parts: Parts) -> bool:
    """Whether the file holds another configuration than the one in force."""
    before = in_force(parts.config)
    try:
        return before is not None and (
            load(parts.config.path).settings.digest != before.settings.digest
        )
    except ConfigError:
        return False
