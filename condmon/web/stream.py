"""Life for open pages: server-sent events that say "this is how fresh it is" and "look again".

An event `beat` comes at least every BEAT_S seconds; a page that misses it says that it has no
connection. `changed` asks the page to fetch its main part anew, so that there is one way to render.
"""

import asyncio
from collections.abc import AsyncIterator
from typing import Any

import orjson
from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response, StreamingResponse
from starlette.concurrency import run_in_threadpool

from condmon.web.machines import values_of
from condmon.web.now import trust
from condmon.web.parts import Parts, needs, parts_of

router = APIRouter(include_in_schema=False)

BEAT_S = 4.0
LOOK_EVERY = 2  # beats between two looks whether the phone is still signed in


@router.get("/live")
@needs("viewer")
async def live(request: Request, machine: str = "") -> Response:
    """The stream of one open page."""
    parts = parts_of(request)
    if not parts.live.has_room():
        raise HTTPException(503, "Too many pages are open; close some.")
    headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
    lines = _lines(parts, request.scope["token"], machine)
    return StreamingResponse(lines, media_type="text/event-stream", headers=headers)


async def _lines(parts: Parts, token: str, machine: str) -> AsyncIterator[str]:
    version, ended, beats, said = parts.live.version, parts.live.ended, 0, 0.0
    loop = asyncio.get_running_loop()
    yield "retry: 3000\n\n"
    yield _event("beat", _beat(parts, machine))
    with parts.live.listening() as woken:
        while parts.live.ended == ended:
            try:
                async with asyncio.timeout(BEAT_S):
                    await woken.wait()
            except TimeoutError:
                pass
            woken.clear()
            if parts.live.version != version:
                version = parts.live.version
                yield _event("changed", {"version": version})
            if loop.time() - said >= BEAT_S / 4:
                said = loop.time()
                beats += 1
                if beats % LOOK_EVERY == 0 and not await run_in_threadpool(
                    parts.accounts.phone, token
                ):
                    yield _event("gone", {})
                    return
                yield _event("beat", _beat(parts, machine))


def _beat(parts: Parts, machine: str) -> dict[str, Any]:
    """How fresh everything is, and the values of a machine if one is asked for."""
    wording = parts.wording()
    known = trust(parts, wording)
    return {
        "checked": wording.clock(known.checked_us) if known.checked_us else "",
        "doubt": known.doubt,
        "values": values_of(parts, machine, wording) if machine else {},
    }


def _event(name: str, facts: dict[str, Any]) -> str:
    return f"event: {name}\ndata: {orjson.dumps(facts).decode()}\n\n"
