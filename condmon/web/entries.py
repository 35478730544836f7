"""One entry of the log with its place in the chain, putting it right, and the report to take along.

A report is made by a process of its own, so that reading days of samples never holds up the watch.
"""

import subprocess
import sys
import tempfile
import threading
from argparse import Namespace
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import HTMLResponse, Response

from condmon import spans
from condmon.clock import rfc3339
from condmon.engine.records import Action
from condmon.store.entries import Numbered
from condmon.web.acts import TEXT_MAX
from condmon.web.parts import Parts, back_to, needs, parts_of, phone_of, shown

router = APIRouter(include_in_schema=False)

REPORT_S_MAX = 180.0
DAYS_MAX = 31
DAY_US = 86_400_000_000
_making = threading.Lock()


@router.get("/log/report")
@needs("viewer")
def days_report(request: Request, machine: str, first: str, last: str) -> Response:
    """The days around an event as a file of its own, from a first to a last day."""
    parts = parts_of(request)
    known = parts.machine(machine)
    from_us = spans.asked(Namespace(day=first, since=None, until=None), parts.settings)
    to_us = spans.asked(Namespace(day=last, since=None, until=None), parts.settings)
    assert from_us is not None
    assert to_us is not None
    span = from_us[0], to_us[1]
    if not 0 < span[1] - span[0] <= DAYS_MAX * DAY_US + 7_200_000_000:  # with a change of the clock
        raise HTTPException(400, f"A report is of 1 to {DAYS_MAX} days; choose other days.")
    if not _making.acquire(blocking=False):
        raise HTTPException(503, "A report is being made already; ask again in a minute.")
    try:
        page = _made(parts, known.id, span)
    finally:
        _making.release()
    name = f"{known.id}-{first}-{last}.html"
    return HTMLResponse(page, headers={"Content-Disposition": f'attachment; filename="{name}"',
                                       "Cache-Control": "no-store"})  # fmt: skip


@router.get("/log/{number}")
@needs("viewer")
def entry_page(request: Request, number: str) -> Response:
    """One entry, what it says it corrects, and what corrects it."""
    with parts_of(request).reader() as reader:
        one = reader.entry_named(number[:64])
        if one is None:
            raise HTTPException(404, "There is no such entry.")
        later = reader.corrections([one.entry.id]).get(one.entry.id, [])
        corrects = str(one.entry.facts.get("corrects") or "")
        earlier = reader.entry_named(corrects) if corrects else None
    return shown(request, "entry.html", one=one, later=later, earlier=earlier, rfc3339=rfc3339)


@router.post("/log/{number}")
@needs("operator")
def correct(
    request: Request, number: str, text: Annotated[str, Form(max_length=TEXT_MAX)] = ""
) -> Response:
    """Write an entry that points back to this one and says what is right."""
    parts, by = parts_of(request), phone_of(request).account
    text = " ".join(text.split())
    if not text:
        raise HTTPException(400, "There is nothing written; write it down and send it again.")
    with parts.reader() as reader:
        one: Numbered | None = reader.entry_named(number[:64])
    if one is None:
        raise HTTPException(404, "There is no such entry.")
    machine, entry = one.entry.machine, one.entry.id
    told = parts.live.put(
        lambda at_us: Action(at_us, "correct", by, machine=machine, text=text, entry=entry)
    )
    return back_to(f"/log/{one.seq}", told.id if told else "later")


def _made(parts: Parts, machine: str, span: tuple[int, int]) -> bytes:
    """The page, made by the command of the same name."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "report.html"
        words = [
            sys.executable, "-m", "condmon", "log", "-c", str(parts.config.path), "report",
            "--machine", machine, "--from", rfc3339(span[0]), "--to", rfc3339(span[1]),
            "-o", str(out),
        ]  # fmt: skip
        try:
            done = subprocess.run(words, capture_output=True, timeout=REPORT_S_MAX, check=False)
        except subprocess.TimeoutExpired:
            raise HTTPException(503, "The report takes too long; take fewer days.") from None
        if done.returncode:
            told = done.stderr.decode(errors="replace").strip().removeprefix("condmon: ")
            raise HTTPException(400, f"The report was not made: {told[:600]}")
        return out.read_bytes()
