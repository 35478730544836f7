"""Receivers of messages on loopback that answer as a test scripts: real HTTP, real SMTP, and none.

Other tests import `web`, `mail` and `mute` as fixtures.
"""

import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default as email_policy
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import orjson
import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult

from tests.brokers import free_port


@dataclass
class Request:
    """One request as it came."""

    path: str
    headers: dict[str, str]
    body: bytes

    @property
    def event(self) -> dict:
        return orjson.loads(self.body)

    @property
    def event_id(self) -> str:
        """Empty when the body is no event."""
        try:
            event = orjson.loads(self.body)
        except orjson.JSONDecodeError:  # sealed for a phone, and may begin with any byte
            return ""
        return event.get("id", "") if isinstance(event, dict) else ""


@dataclass
class Answer:
    status: int = 200
    headers: dict[str, str] = field(default_factory=dict)


class Web:
    """Takes POSTs. `answers` is used up in order; afterwards `otherwise` is asked each time."""

    def __init__(self, otherwise: Callable[[Request], Answer] = lambda _: Answer()) -> None:
        self.requests: list[Request] = []
        self.taken: list[str] = []  # ids of the events answered with 2xx
        self.answers: list[Answer] = []
        self.otherwise = otherwise
        self._lock = threading.Lock()
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), self._handler())
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.01,))
        self._thread.start()

    @property
    def port(self) -> int:
        return self._server.server_address[1]

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/alerts?shop=pier"

    def secure(self, context: ssl.SSLContext) -> None:
        self._server.socket = context.wrap_socket(self._server.socket, server_side=True)

    def close(self) -> None:
        self._server.shutdown()
        self._thread.join()
        self._server.server_close()

    def answer(self, request: Request) -> Answer:
        with self._lock:
            self.requests.append(request)
            return self.answers.pop(0) if self.answers else self.otherwise(request)

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        web = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if len(body) < int(self.headers["Content-Length"]):
                    return  # the sender was killed in the middle
                request = Request(self.path, dict(self.headers), body)
                answer = web.answer(request)
                if answer.status < 300:
                    web.taken.append(request.event_id)
                self.send_response(answer.status)
                for name, value in {"Content-Length": "0", **answer.headers}.items():
                    self.send_header(name, value)
                self.end_headers()

            def log_message(self, *_: object):
                pass

        return Handler


@dataclass
class Mail:
    """One mail as the server took it."""

    sender: str
    to: list[str]
    content: bytes
    encrypted: bool

    @property
    def parsed(self) -> EmailMessage:
        return message_from_bytes(self.content, policy=email_policy)  # type: ignore[return-value]

    @property
    def text(self) -> str:
        body = self.parsed.get_body(("plain",))
        assert body is not None
        return body.get_content()


class MailServer:
    """Takes mail. `answers` to DATA are used up in order; `refuse` answers to a recipient."""

    def __init__(
        self,
        context: ssl.SSLContext | None = None,
        user: tuple[str, str] = ("", ""),
        *,
        at_once: bool = False,  # TLS from the first byte instead of STARTTLS
    ) -> None:
        self.mails: list[Mail] = []
        self.answers: list[str] = []
        self.refuse: dict[str, str] = {}
        self.tries = 0
        self._user = user
        self._controller = Controller(
            self,
            hostname="127.0.0.1",
            port=free_port(),
            ssl_context=context if at_once else None,
            tls_context=None if at_once else context,
            auth_required=bool(user[0]),
            auth_require_tls=context is not None,
            authenticator=self._authenticate,
        )
        self._controller.start()

    @property
    def port(self) -> int:
        return self._controller.port

    def close(self) -> None:
        self._controller.stop()

    async def handle_RCPT(self, server, session, envelope, address, options):  # noqa: N802
        if address in self.refuse:
            return self.refuse[address]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session, envelope):  # noqa: N802
        self.tries += 1
        answer = self.answers.pop(0) if self.answers else "250 OK"
        if answer.startswith("250"):
            self.mails.append(
                Mail(
                    envelope.mail_from,
                    list(envelope.rcpt_tos),
                    envelope.content,
                    session.ssl is not None,
                )
            )
        return answer

    def _authenticate(self, server, session, envelope, mechanism, login):
        given = (login.login.decode(), login.password.decode())
        return AuthResult(success=given == self._user, handled=False)


class Mute:
    """Accepts connections and, after `greeting`, gives one byte now and then or nothing at all."""

    def __init__(self, drip: bytes = b"", every_s: float = 0.1) -> None:
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._socket.getsockname()[1]
        self._stop = threading.Event()
        self._drip, self._every_s = drip, every_s
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def close(self) -> None:
        self._stop.set()
        self._thread.join()
        self._socket.close()

    def _serve(self) -> None:
        self._socket.settimeout(0.02)
        held: list[socket.socket] = []
        while not self._stop.wait(self._every_s if held and self._drip else 0):
            with suppress(TimeoutError):
                held.append(self._socket.accept()[0])
            for one in held if self._drip else ():
                with suppress(OSError):
                    one.send(self._drip)
        for one in held:
            one.close()


def certificate(folder: Path, name: str = "127.0.0.1", days: int = 2) -> Path:
    """A certificate of its own authority with its key in one file, for a name or address."""
    kind = "IP" if name[0].isdigit() else "DNS"
    path = folder / "server.pem"
    words = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256"]
    words += ["-nodes", "-days", str(days), "-subj", f"/CN={name}", "-keyout", str(path)]
    words += ["-addext", f"subjectAltName={kind}:{name}", "-out", str(folder / "cert.pem")]
    subprocess.run(words, check=True, capture_output=True)
    path.write_bytes(path.read_bytes() + (folder / "cert.pem").read_bytes())
    return path


def server_context(path: Path) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(path)
    return context


@pytest.fixture
def web() -> Iterator[Web]:
    server = Web()
    yield server
    server.close()


@pytest.fixture
def mail() -> Iterator[MailServer]:
    server = MailServer()
    yield server
    server.close()


@pytest.fixture
def mute() -> Iterator[Mute]:
    server = Mute()
    yield server
    server.close()
