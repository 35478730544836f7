"""Whatever a web receiver or a time-series server answers: a wait that is bounded, or a reason."""

import http.client
import socket

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from condmon.influx.server import WAIT_ASKED_MAX_S, _wait_s
from condmon.senders.posting import retry_after_s
from tests.bent import bent_bytes
from tests.generated import generated

DATE = "Wed, 25 Nov 2026 12:00:00 GMT"
WAITS = ("5", "Wed, 25 Nov 2026 12:05:00 GMT", "Wed, 25 Nov 26 12:05 +0130", "x", "1e9",
         "Wed, 31 Dec 9999 23:59:59 -0000", "Mon, 1 Jan 1 00:00:00 +9959")  # fmt: skip
ANSWERS = [
    f"HTTP/1.1 503 Busy\r\nDate: {DATE}\r\nRetry-After: {wait}\r\nServer: x\r\n\r\nno".encode()
    for wait in WAITS
]


def answer_of(content: bytes) -> http.client.HTTPResponse:
    """What the standard library makes of these bytes; HTTPException where they are no answer."""
    ours, theirs = socket.socketpair()
    with ours, theirs:
        theirs.sendall(content)
        theirs.shutdown(socket.SHUT_WR)
        answer = http.client.HTTPResponse(ours)
        answer.begin()
        answer.close()
        return answer


@generated(usual=150, per_mille=50)
@given(bent_bytes(*ANSWERS))
def test_any_answer_gives_a_wait_or_is_none(content):
    try:
        answer = answer_of(content)
    except http.client.HTTPException:
        return
    waits = [retry_after_s(answer), _wait_s(answer.headers)]
    assert all(wait is None or 0 <= wait < float("inf") for wait in waits)


WORDS = st.text(st.sampled_from("0123456789 :,+-GMTWedNov²\x00"), max_size=40)


@generated(usual=150, per_mille=40)
@given(wait=WORDS | st.sampled_from(WAITS), date=WORDS | st.just(DATE))
@example(wait="Wed, 25 Nov 2026 12:00:00 +99999999999999999999", date=DATE)
@example(wait=DATE, date="Wed, 25 Nov 2026 12:00:00 -99999999999999999999")
def test_any_words_of_waiting_are_understood_or_left(wait, date):
    told = _wait_s({"Retry-After": wait, "Date": date})
    assert 0 <= told <= WAIT_ASKED_MAX_S


@pytest.mark.parametrize("wait", ["Wed, 25 Nov 2026 12:00:00 +99999999999999999999", "x", ""])
def test_a_wait_that_is_no_date_is_left_to_us(wait):
    content = f"HTTP/1.1 503 Busy\r\nDate: {DATE}\r\nRetry-After: {wait}\r\n\r\n"
    assert retry_after_s(answer_of(content.encode())) is None
