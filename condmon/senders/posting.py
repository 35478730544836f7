"""One HTTP POST within a time limit, and what its answer asks for. Standard library only."""

import http.client
from collections.abc import Mapping
from contextlib import closing
from email.utils import parsedate_to_datetime
from http import HTTPStatus
from urllib.parse import SplitResult

from condmon.errors import SendError
from condmon.senders.wire import wire

LATER = {HTTPStatus.REQUEST_TIMEOUT, HTTPStatus.TOO_EARLY, HTTPStatus.TOO_MANY_REQUESTS}


def post(
    url: SplitResult, body: bytes, headers: Mapping[str, str], limit_s: float
) -> http.client.HTTPResponse:
    """Post and give the answer with its body unread; SendError when there is none."""
    tls = url.scheme == "https"
    host, port = url.hostname or "", url.port or (443 if tls else 80)
    target = (url.path or "/") + (f"?{url.query}" if url.query else "")
    with wire(host, port, limit_s, tls=tls) as line:
        connection = http.client.HTTPConnection(host, port)
        connection.sock = line.sock
        try:
            connection.request("POST", target, body, {"Connection": "close", **headers})
            # the status and the headers tell all; the body is left unread, whatever its size
            with closing(connection), connection.getresponse() as answer:
                pass
        except http.client.HTTPException as error:
            raise SendError(f"{host}:{port} did not answer in HTTP", again=True) from error
    return answer


def is_later(status: int) -> bool:
    """Whether an answer says that it may be taken another time."""
    return status in LATER or status >= 500


def retry_after_s(answer: http.client.HTTPResponse) -> float | None:
    """Seconds to wait; a date is taken against the receiver's own clock."""
    words = (answer.getheader("Retry-After") or "").strip()
    if words.isascii() and words.isdigit():
        return float(words[:9])
    try:
        now = parsedate_to_datetime(answer.getheader("Date") or "")
        wait = parsedate_to_datetime(words) - now
    except (ValueError, TypeError, OverflowError):
        return None
    return max(0.0, wait.total_seconds())
