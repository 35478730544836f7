"""The machine event log with a filter and a quick note; the list of what nobody has explained."""

import re
from typing import Annotated
from urllib.parse import urlencode

from fastapi import APIRouter, File, Form, HTTPException, Request, UploadFile
from fastapi.responses import FileResponse, Response
from markupsafe import Markup

from condmon.engine.settings import CONDMON
from condmon.web.acts import TEXT_MAX, perform
from condmon.web.now import trust
from condmon.web.parts import back_to, needs, parts_of, phone_of, shown
from condmon.web.photos import MARK, Photos

router = APIRouter(include_in_schema=False)

KINDS = {
    "alert": "alerts",
    "action": "what people did",
    "service": "service",
    "usage": "counters",
    "duty": "what machines did",
    "control": "what controls said",
    "model": "models",
    "sensor": "sensors",
    "link": "link to the broker",
    "gap": "what is missing",
    "clock": "clocks",
    "start": "starts of condmon",
    "topic": "unknown topics",
}
A_PAGE = 50
UNEXPLAINED_MAX = 100


@router.get("/log")
@needs("viewer")
def log_page(
    request: Request, machine: str = "", kind: str = "", words: str = "", before: int = 0
) -> Response:
    """The log, newest first, narrowed by machine, kind and words."""
    parts = parts_of(request)
    words = words[:100]
    before = before if 0 <= before < 2**60 else 0
    with parts.reader() as reader:
        rows = reader.entries_before(before, A_PAGE + 1, machine[:64], kind[:20], words)
    chosen = {"machine": machine[:64], "kind": kind[:20], "words": words}
    more = ""
    if len(rows) > A_PAGE:
        more = "/log?" + urlencode(chosen | {"before": str(rows[A_PAGE - 1][0])})
    return shown(
        request,
        "log.html",
        rows=rows[:A_PAGE],
        today=parts.wording().whole(parts.live.now_us())[:10],
        more=more,
        first=before == 0,
        chosen=chosen,
        kinds=KINDS,
        machines=parts.settings.machines,
        condmon=CONDMON,
    )


@router.post("/log")
@needs("operator")
def write_note(
    request: Request,
    machine: Annotated[str, Form(max_length=64)],
    text: Annotated[str, Form(max_length=TEXT_MAX)] = "",
    photo: Annotated[UploadFile | None, File()] = None,
    alert: Annotated[str, Form(max_length=64)] = "",
    back: Annotated[str, Form(max_length=300)] = "/log",
) -> Response:
    """Write a note, with a photo if one comes along."""
    parts = parts_of(request)
    if photo is not None and photo.filename:
        name = Photos(parts.folder).keep(photo.file)
        text = f"{text.strip()[: TEXT_MAX - 40]} [photo {name}]".strip()
    entry = perform(parts, phone_of(request).account, "note", alert, machine, text=text)
    return back_to(back, entry.id if entry else "later")


@router.get("/photos/{name}")
@needs("viewer")
def photo(request: Request, name: str) -> Response:
    """A photo that belongs to a note."""
    path = Photos(parts_of(request).folder).path(name)
    if path is None:
        raise HTTPException(404, "There is no such photo.")
    return FileResponse(path, media_type="image/jpeg", headers={"Cache-Control": "private"})


@router.get("/unexplained")
@needs("viewer")
def unexplained_page(request: Request) -> Response:
    """What is over and has no cause yet, the oldest first."""
    parts = parts_of(request)
    wording = parts.wording()
    with parts.reader() as reader:
        alerts = reader.unexplained(UNEXPLAINED_MAX)
        count = reader.unexplained_count()
    return shown(
        request,
        "unexplained.html",
        wording=wording,
        trust=trust(parts, wording),
        alerts=alerts,
        count=count,
    )


def with_photos(text: str) -> Markup:
    """The text of an entry, its photos as links."""
    out = Markup("")
    at = 0
    for found in re.finditer(MARK, text):
        out += text[at : found.start()]
        out += Markup('<a class="photo" href="/photos/{}">photo</a>').format(found[1])
        at = found.end()
    return out + text[at:]
