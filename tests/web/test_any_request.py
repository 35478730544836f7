"""Any bytes at the page's own port: an answer that is no fault of ours, or a closed connection."""

import re
import socket
from random import Random
from urllib.parse import quote

import pytest
from hypothesis import given

from condmon.web.app import routes
from tests.bent import PIECES, SEEDS
from tests.generated import generated

pytestmark = pytest.mark.slow

ELSEWHERE = re.compile(r"/(live|whatif|sign-out)|.*report")
"""Streams without end, what starts a process, and the way out of the session."""
ROUTES = [(method, route.path) for route in routes() for method in sorted(route.methods)
          if not ELSEWHERE.match(route.path)]  # fmt: skip
ODD = ("", "x", "mill-1", "1", "-1", "0", "9" * 30, "nan", "inf", "1e400", "\x00", "\ud7ff", "日本",
       "../../etc/passwd", "%00", "'", '"', "<b>", "{}", "[]", "acknowledge", "note", "2026-11-25",
       "2026-11-25T06:00:00Z", "10 min", "x" * 3000, "a=b&c=d", "\r\nX: y")  # fmt: skip
FIELDS = ("do", "machine", "text", "alert", "check", "back", "for_s", "span", "to", "words", "kind",
          "before", "week", "name", "role", "key", "title", "every", "unit", "value", "what", "on",
          "code", "password", "found", "reading", "place", "component", "task")  # fmt: skip
HEADERS = ("Content-Length", "Transfer-Encoding", "Content-Type", "Cookie", "Accept", "Range",
           "Host", "Origin", "Expect", "Upgrade", "X-Form-Token", "If-None-Match",
           "Accept-Language", "X-Forwarded-For", "Sec-Fetch-Site")  # fmt: skip


@pytest.fixture(scope="module")
def door(house):
    """The house, and a session whose acts are not counted."""
    house.parts.writes._times = 10**9
    yield house, [0, ""]
    assert 200 == house.client().get("/sign-in").status_code


def form(rng: Random) -> str:
    pairs = [(rng.choice(FIELDS), rng.choice(ODD)) for _ in range(rng.randrange(5))]
    return "&".join(f"{name}={quote(value)}" for name, value in pairs)


def request_of(rng: Random, house, cookie: str) -> bytes:
    """A request for one of our routes, odd in some places; bent as bytes in one of five."""
    method, path = rng.choice(ROUTES)
    path = re.sub(r"\{\w+(:\w+)?\}", lambda _: quote(rng.choice(ODD), safe=""), path)
    if rng.random() < 0.1:
        method = rng.choice(["HEAD", "OPTIONS", "PUT", "DELETE", "BREW", "get"])
    target = path + (f"?{form(rng)}" if rng.random() < 0.5 else "")
    kind, body = rng.choice([
        ("application/x-www-form-urlencoded", form(rng).encode()),
        ("application/json", b'{"do": "note", "machine": "mill-9", "text": 1}'),
        ("application/json", rng.randbytes(9)),
        ("multipart/form-data; boundary=x",
         b'--x\r\nContent-Disposition: form-data; name="photo"; filename="a"\r\n\r\nGIF\r\n--x--'),
        ("multipart/form-data", b"--"),
    ]) if method in {"POST", "PUT"} else ("text/plain", b"")  # fmt: skip
    told = {"Host": f"127.0.0.1:{house.port}", "Connection": "close", "Content-Type": kind,
            "Content-Length": str(len(body)), "Origin": house.url}  # fmt: skip
    if rng.random() < 0.7:
        told["Cookie"] = f"condmon={cookie}"
        if rng.random() < 0.7:
            told["X-Form-Token"] = house.token(cookie)
    while rng.random() < 0.3:
        told[rng.choice(HEADERS)] = rng.choice(ODD).replace("\r\n", " ")
    lines = [f"{method} {target} HTTP/1.1", *(f"{name}: {value}" for name, value in told.items())]
    whole = "\r\n".join([*lines, "", ""]).encode("utf-8", "replace") + body
    if rng.random() < 0.2:
        at = rng.randrange(len(whole))
        whole = whole[:at] + bytes(rng.choices(PIECES, k=3)) + whole[at + rng.randrange(9) :]
    return whole


def asked(port: int, request: bytes) -> bytes:
    """All that comes back until the other side closes; half a request is given up soon."""
    found = b""
    with socket.create_connection(("127.0.0.1", port), 5) as sock:
        sock.settimeout(1)
        try:
            sock.sendall(request)
            while part := sock.recv(65536):
                found += part
        except ConnectionError:
            pass
        except TimeoutError:
            sock.shutdown(socket.SHUT_WR)
    return found


@pytest.mark.filterwarnings(  # of uploads that break off: closed once nobody holds them
    "ignore::pytest.PytestUnraisableExceptionWarning"
)
@generated(usual=60, per_mille=10)
@given(SEEDS)
def test_any_request_gets_an_answer_that_is_no_fault_of_ours(door, seed):
    house, session = door
    if session[0] % 500 == 0:  # what was asked may have ended the session
        session[1] = house.member("ben", "operator", "")
    session[0] += 1
    request = request_of(Random(seed), house, session[1])
    answer = asked(house.port, request)
    status = re.match(rb"HTTP/1\.1 (\d{3}) ", answer)
    assert status is not None or answer == b""
    told = int(status[1]) if status else 0
    assert told < 500 or (told == 503 and b"authority" in request), answer[:300]
    assert b"Traceback" not in answer
