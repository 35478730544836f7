"""Servers that take the InfluxDB v2 write interface: a scripted one and a real one.

The scripted one keeps the lines of every request it answered with 204, and reads line protocol by a
reader of its own.
"""

import gzip
import os
import re
import shutil
import socket
import subprocess
import threading
import urllib.parse
import urllib.request
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import NamedTuple

import orjson

from tests.brokers import free_port
from tests.waiting import until


@dataclass
class Answer:
    status: int = 204
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""
    hang: bool = False  # until the server closes


@dataclass
class Write:
    """One request as it came."""

    lines: list[bytes]
    query: dict[str, str]
    headers: dict[str, str]
    answer: Answer


def fine(_: list[bytes]) -> Answer:
    return Answer()


class Scripted:
    """Takes writes on loopback; `how` says how each is answered."""

    def __init__(self, how: Callable[[list[bytes]], Answer] = fine, port: int = 0) -> None:
        self.how = how
        self.writes: list[Write] = []
        self.taken: list[bytes] = []
        self._lock = threading.Lock()
        self._closing = threading.Event()
        self._open: set[socket.socket] = set()
        self.port = port or free_port()
        self._server: ThreadingHTTPServer | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def open(self) -> "Scripted":
        self._closing.clear()
        self._server = ThreadingHTTPServer(("127.0.0.1", self.port), self._handler())
        self._server.daemon_threads = True
        self._thread = threading.Thread(
            target=self._server.serve_forever, args=(0.01,), daemon=True
        )
        self._thread.start()
        return self

    def close(self) -> None:
        """Nothing listens any more and every connection ends; what was taken stays known."""
        if self._server is not None:
            for line in list(self._open):
                with suppress(OSError):
                    line.shutdown(socket.SHUT_RDWR)
            self._closing.set()
            self._server.shutdown()
            self._thread.join()
            self._server.server_close()
            self._server = None

    def points(self) -> list["Point"]:
        return [read_line(line.decode()) for line in list(self.taken)]

    def _take(self, lines: list[bytes], query: dict[str, str], headers: dict[str, str]) -> Answer:
        with self._lock:
            answer = self.how(lines)
            self.writes.append(Write(lines, query, headers, answer))
            if answer.status == 204 and not answer.hang:
                self.taken += lines
            return answer

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        server = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self):
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if self.headers.get("Content-Encoding") == "gzip":
                    body = gzip.decompress(body)
                query = dict(urllib.parse.parse_qsl(urllib.parse.urlsplit(self.path).query))
                answer = server._take(body.split(b"\n"), query, dict(self.headers))
                if answer.hang:
                    server._closing.wait(60)
                    self.close_connection = True
                    return
                self.send_response(answer.status)
                for name, value in answer.headers.items():
                    self.send_header(name, value)
                if answer.status != 204:
                    self.send_header("Content-Length", str(len(answer.body)))
                self.end_headers()
                if answer.status != 204:
                    self.wfile.write(answer.body)

            def handle(self):
                server._open.add(self.connection)
                try:
                    super().handle()
                except OSError:  # the other side was killed or went away
                    self.close_connection = True
                finally:
                    server._open.discard(self.connection)

            def log_message(self, *_: object):
                pass

        return Handler


class Point(NamedTuple):
    """One line, read by the rules of the line protocol."""

    measurement: str
    tags: dict[str, str]
    fields: dict[str, str | float]
    at_ns: int


def read_line(line: str) -> Point:
    """Take a line apart; AssertionError where it breaks a rule."""
    head, rest = _split(line, " ")
    fields_text, at = rest.rsplit(" ", 1)
    measurement, *tags = _parts(head, ",")
    pairs = [_split(tag, "=") for tag in tags]
    assert pairs == sorted(pairs)
    assert all(name and value for name, value in pairs)
    fields: dict[str, str | float] = {}
    while fields_text:
        name, fields_text = fields_text.split("=", 1)
        quoted = re.match(r'"((?:[^"\\]|\\.)*)"(?:,|$)', fields_text)
        if quoted:
            fields[name] = re.sub(r"\\(.)", r"\1", quoted[1])
            fields_text = fields_text[quoted.end() :]
        else:
            number, _, fields_text = fields_text.partition(",")
            assert re.fullmatch(r"-?\d+(\.\d+)?(e[+-]\d+)?", number), line  # no 21i, t, NaN
            fields[name] = float(number)
    return Point(measurement, {n: _plain(v) for n, v in pairs}, fields, int(at))


def _parts(text: str, mark: str) -> list[str]:
    return re.split(rf"(?<!\\){mark}", text)


def _split(text: str, mark: str) -> tuple[str, str]:
    first, rest = re.split(rf"(?<!\\){mark}", text, maxsplit=1)
    return first, rest


def _plain(text: str) -> str:
    return re.sub(r"\\([,= ])", r"\1", text)


class Victoria:
    """Debian's victoria-metrics on a free port of loopback."""

    def __init__(self, folder: Path, words: Sequence[str] = ()) -> None:
        self._folder = folder
        self._words = list(words)
        self.port = free_port()
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> "Victoria":
        program = shutil.which("victoria-metrics", path=os.environ["PATH"] + ":/usr/sbin:/usr/bin")
        assert program, "victoria-metrics is missing; deploy/test installs it"
        with (self._folder / "victoria.log").open("ab") as told:
            self._process = subprocess.Popen(
                [program, *(self._words or ["-retentionPeriod=100y", "-memory.allowedBytes=64MB"]),
                 f"-httpListenAddr=127.0.0.1:{self.port}",
                 f"-storageDataPath={self._folder / 'victoria'}"],
                stdout=told, stderr=told,
            )  # fmt: skip
        until(self._answers, 20, "victoria-metrics answers")
        return self

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(20)
            self._process = None

    def series(self, name: str) -> list[dict]:
        """Every series of a metric with its values and times (ms), as exported."""
        self._get("/internal/force_flush")
        start = "1970-01-02T00:00:00Z"
        query = urllib.parse.urlencode({"match[]": f'{{__name__="{name}"}}', "start": start})
        return [orjson.loads(row) for row in self._get(f"/api/v1/export?{query}").splitlines()]

    def _get(self, path: str) -> bytes:
        with urllib.request.urlopen(self.url + path, timeout=5) as answer:
            return answer.read()

    def _answers(self) -> bool:
        try:
            return self._get("/health") == b"OK"
        except OSError:
            return False
