"""The morning note and the weekly report as a page, to be read on a phone or printed."""

from fastapi import APIRouter, Request
from fastapi.responses import Response

from condmon.digest.due import last_digest_us, next_digest_us, report_of
from condmon.digest.source import silent_signals
from condmon.engine.records import SECOND_US
from condmon.web.now import trust
from condmon.web.parts import Parts, needs, parts_of, shown

router = APIRouter(include_in_schema=False)

OLDEST_US = 2 * 366 * 86400 * SECOND_US
WEEK_S = 7 * 86400


@router.get("/report")
@needs("viewer")
def report_page(request: Request, week: bool = False, to: int = 0) -> Response:
    """What happened up to an instant (`to`, seconds of UTC; 0: now) since the note before it."""
    parts = parts_of(request)
    wording = parts.wording()
    to_us = _within(to, wording.now_us)
    report = report_of(
        parts.folder, parts.settings, to_us, week=week, silent=_silent(parts, to_us, wording.now_us)
    )
    return shown(
        request,
        "report.html",
        wording=wording,
        trust=trust(parts, wording),
        report=report,
        week=week,
        to_now=to_us >= wording.now_us,
        **_neighbours(parts, to_us, wording.now_us, week=week),
    )


def _within(to_s: int, now_us: int) -> int:
    if to_s <= 0:
        return now_us
    return min(max(to_s * SECOND_US, now_us - OLDEST_US), now_us)


def _silent(parts: Parts, to_us: int, now_us: int) -> tuple[str, ...]:
    """Signals that cannot be relied on; known of now only."""
    seen = parts.live.seen()
    return silent_signals(seen.view, parts.settings) if seen and to_us >= now_us else ()


def _neighbours(parts: Parts, to_us: int, now_us: int, *, week: bool) -> dict[str, int]:
    """Ends of the report before and the one after, in seconds; 0: now."""
    if week:
        earlier_us, later_us = to_us - WEEK_S * SECOND_US, to_us + WEEK_S * SECOND_US
    else:
        earlier_us = last_digest_us(parts.settings, to_us)
        later_us = next_digest_us(parts.settings, to_us)
    return {
        "earlier": earlier_us // SECOND_US,
        "later": 0 if later_us >= now_us else later_us // SECOND_US,
    }
