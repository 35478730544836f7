"""Connections that never say what they want are closed, and keep nobody out."""

import socket

import pytest

from condmon.web import patience
from tests.waiting import until

BEGUN = b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n"
POSTED = (
    b"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\n"
    b"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 400\r\n\r\nname=anna"
)


def said(house, words: bytes) -> socket.socket:
    """A connection on which so much was said."""
    made = socket.create_connection(("127.0.0.1", house.page.port), timeout=20)
    made.sendall(words)
    return made


def ended(made: socket.socket) -> bool:
    """Whether the other side closes it in time; what it says before is passed over."""
    try:
        while made.recv(4096):
            pass
    except ConnectionResetError:
        pass
    finally:
        made.close()
    return True


@pytest.mark.parametrize("words", [b"", BEGUN, POSTED])
def test_request_that_is_never_whole_is_ended(house, monkeypatch, words):
    monkeypatch.setattr(patience, "HEAD_WITHIN_S", 0.3)
    monkeypatch.setattr(patience, "BODY_WITHIN_S", 0.3)
    assert ended(said(house, words))


def test_more_bytes_now_and_then_do_not_make_the_wait_longer(house, monkeypatch):
    monkeypatch.setattr(patience, "HEAD_WITHIN_S", 0.5)
    made = said(house, BEGUN)

    def drips() -> bool:
        try:
            made.sendall(b"X-More: 1\r\n")
        except (ConnectionResetError, BrokenPipeError):
            return True
        return False

    until(drips, 20, "it is ended", 0.05)
    made.close()


def test_page_that_is_open_for_life_is_not_ended(house, monkeypatch):
    monkeypatch.setattr(patience, "HEAD_WITHIN_S", 0.3)
    cookie = f"Cookie: condmon={house.member('ben')}\r\n\r\n"
    made = said(house, BEGUN.replace(b"GET / ", b"GET /live ") + cookie.encode())
    got = b""
    while got.count(b"event: beat") < 3:  # the first at once, the third after 8 seconds at most
        more = made.recv(4096)
        assert more, got
        got += more
    made.close()
