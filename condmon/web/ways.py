"""Ways to people: which way out works, what waits, what failed, when a message last got through."""

from typing import NamedTuple

from fastapi import APIRouter, Request
from fastapi.responses import Response

from condmon.engine.settings import Urgency
from condmon.journal import Delivery
from condmon.web.parts import needs, parts_of, shown
from condmon.web.reading import PageReader

router = APIRouter(include_in_schema=False)

SHOWN = 10
OLD_US = 900_000_000
"""A message that has waited so long says that a way does not work."""


class Way(NamedTuple):
    """One way and how it does; `trouble` is empty when nothing speaks against it."""

    name: str
    what: str
    urgencies: tuple[Urgency, ...]
    last_sent_us: int | None
    trouble: str
    newest: list[Delivery]


@router.get("/ways")
@needs("viewer")
def ways_page(request: Request) -> Response:
    """Every way with its newest deliveries."""
    parts = parts_of(request)
    config, wording = parts.config, parts.wording()
    told = [(w.name, "web address", w.urgencies) for w in config.webhooks]
    told += [(m.name, f"e-mail to {', '.join(m.to)}", m.urgencies) for m in config.emails]
    with parts.reader() as reader:
        ways = [_way(reader, *row, now_us=wording.now_us) for row in told]
    return shown(request, "ways.html", wording=wording, ways=ways)


def _way(
    reader: PageReader, name: str, what: str, urgencies: tuple[Urgency, ...], *, now_us: int
) -> Way:
    newest = reader.deliveries_of(name, SHOWN)
    waiting_us = reader.oldest_waiting_us(name)
    trouble = ""
    held = next((d for d in newest if d.state in {"waiting", "leased"} and d.reason), None)
    if newest and newest[0].state == "failed":
        trouble = f"the last message failed: {newest[0].reason}"
    elif held:
        trouble = f"a message waits: {held.reason}"
    elif waiting_us is not None and now_us - waiting_us > OLD_US:
        trouble = "a message has waited for more than 15 minutes"
    return Way(name, what, urgencies, reader.last_sent_us(name), trouble, newest)
