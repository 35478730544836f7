"""Receivers that repeat in their answers what they were sent: no secret gets into our words."""

import base64
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from pathlib import Path

import pytest

from condmon.config import Email, Influx, Webhook
from condmon.errors import SendError
from condmon.influx.server import RefusedError, Server, TooLargeError, TroubleError
from condmon.senders.email import EmailSender
from condmon.senders.webhook import WebhookSender
from tests.letters import letter

WORD = "Driftwood-0815"
ALL = ("now", "today", "note")


class Echo:
    """Answers each line, or each request, by a function of what came."""

    def __init__(self, answer: Callable[[bytes], bytes], greeting: bytes = b"") -> None:
        self._answer, self._greeting = answer, greeting
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._socket.getsockname()[1]
        self.heard = b""
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with suppress(OSError):
            while True:
                line, _ = self._socket.accept()
                with line:
                    line.sendall(self._greeting)
                    while came := line.recv(65536):
                        self.heard += came
                        line.sendall(self._answer(came))

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def echo() -> Iterator[Callable[..., Echo]]:
    made: list[Echo] = []

    def start(answer: Callable[[bytes], bytes], greeting: bytes = b"") -> Echo:
        made.append(Echo(answer, greeting))
        return made[-1]

    yield start
    for one in made:
        one.close()


def kept(folder: Path, words: str = WORD) -> Path:
    path = folder / "secret"
    path.write_text(words)
    return path


@pytest.mark.parametrize("code", [421, 451, 454, 500, 501, 503, 504, 534, 535, 550, 334])
def test_mail_server_that_repeats_the_sign_in(tmp_path, echo, code):
    def answer(came: bytes) -> bytes:
        if came.upper().startswith(b"EHLO"):
            return b"250-mail.pier.example\r\n250 AUTH PLAIN LOGIN\r\n"
        return b"%d what is %s\r\n" % (code, came.strip())

    far = echo(answer, b"220 mail.pier.example\r\n")
    email = Email("owner", "127.0.0.1", far.port, "none", "condmon", kept(tmp_path),
                  "condmon@pier.example", ("owner@pier.example",), ALL, 5.0)  # fmt: skip
    with pytest.raises((SendError, ValueError)) as caught:
        EmailSender(email).send(letter())
    sent = base64.b64encode(f"\0condmon\0{WORD}".encode()).decode()
    assert sent.encode() in far.heard
    if isinstance(caught.value, SendError):  # any other is told by its kind and place alone
        words = str(caught.value)
        for secret in (WORD, sent, base64.b64encode(WORD.encode()).decode()):
            assert secret not in words


@pytest.mark.parametrize("status", [301, 400, 401, 404, 408, 410, 418, 429, 500, 502, 599])
def test_web_receiver_that_repeats_the_address(echo, status):
    far = echo(lambda came: b"HTTP/1.1 %d no %s\r\nLocation: /%s\r\nContent-Length: 0\r\n\r\n"
               % (status, came.split()[1], came.split()[1]))  # fmt: skip
    sender = WebhookSender(
        Webhook("gate", f"http://127.0.0.1:{far.port}/{WORD}?key={WORD}", None, ALL, 5.0)
    )
    with pytest.raises(SendError) as caught:
        sender.send(letter())
    assert WORD.encode() in far.heard
    assert WORD not in str(caught.value)
    assert str(status) in str(caught.value)


@pytest.mark.parametrize("status", [200, 301, 400, 401, 403, 404, 413, 422, 429, 500, 503])
def test_time_series_server_that_repeats_the_token(tmp_path, echo, status):
    def answer(_: bytes) -> bytes:
        body = b'{"code": "x", "message": "%s no Token %s"}' % (b"." * 280, WORD.encode())
        head = b"HTTP/1.1 %d no\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n"
        return head % (status, len(body)) + body

    far = echo(answer)
    server = Server(Influx(f"http://127.0.0.1:{far.port}", "o", "b", kept(tmp_path)))
    with closing(server), pytest.raises((TroubleError, RefusedError, TooLargeError)) as caught:
        server.write([b"x y=1 1"])
    assert WORD[:5] not in str(caught.value)


@pytest.mark.parametrize("words", [f"{WORD}\nsecond line", f"{WORD} \u20ac", f"{WORD}\x07"])
def test_token_file_that_holds_more_than_a_token_is_told_without_it(tmp_path, words):
    server = Server(Influx("http://127.0.0.1:1", "o", "b", kept(tmp_path, words)))
    with pytest.raises(TroubleError) as caught:
        server.write([b"x y=1 1"])
    assert caught.value.person
    assert "secret holds no token" in str(caught.value)
    assert WORD not in str(caught.value)
