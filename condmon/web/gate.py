"""The gate before every request: host, origin, size, whose phone it is; strict headers out.

Plain ASGI, so that streams pass untouched. Whether a phone may see a page is settled in `guard`.
"""

import base64
import contextlib
import hashlib
import hmac
import secrets
import socket
from collections.abc import Awaitable, Callable, MutableMapping
from ipaddress import ip_address
from typing import Any
from urllib.parse import urlsplit

from fastapi import HTTPException, Request
from starlette.concurrency import run_in_threadpool

from condmon.errors import StoreError
from condmon.web.parts import Parts, may

COOKIE = "condmon"
BODY_MAX = 64 * 1024
PHOTO_MAX = 12 * 1024 * 1024
WITH_PHOTO = ("/log", "/visits/")
WRITES_A_MINUTE = 120
_READING = {"GET", "HEAD"}
_HEADERS = {
    # the style sheet stands in the page, by its hash: on a slow network that saves a second
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'sha256-{css}'; "
    "img-src 'self'; connect-src 'self'; manifest-src 'self'; worker-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",  # no-referrer would make our own forms send "Origin: null"
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "X-Robots-Tag": "noindex",
}

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
Asgi = Callable[[Scope, Receive, Send], Awaitable[None]]


class _Refused(Exception):  # noqa: N818 - an answer
    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status


class Gate:
    """Wraps the application."""

    def __init__(self, app: Asgi, parts: Parts) -> None:
        self._app, self._parts = app, parts
        self._names = _names(parts)
        css = base64.b64encode(hashlib.sha256(parts.files["page.css"][1]).digest()).decode()
        self._headers = [
            (name.lower().encode(), value.replace("{css}", css).encode())
            for name, value in _HEADERS.items()
        ]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let one request in, or answer it here."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # nothing here speaks over web sockets
            await send({"type": "websocket.close", "code": 1008})
            return
        sending = _with_headers(send, self._headers)
        try:
            headers = {k.decode("latin-1"): v.decode("latin-1") for k, v in scope["headers"]}
            self._check_host(headers)
            _check_origin(scope, headers)
            token = _cookie(headers)
            phone = await run_in_threadpool(self._parts.accounts.phone, token) if token else None
            scope["phone"] = phone
            scope["form_token"] = lambda: form_token(token) if phone else ""
            scope["token"] = token
            photo = scope["path"].startswith(WITH_PHOTO) and may(phone, "operator")
            receiving = _bounded(receive, headers, PHOTO_MAX if photo else BODY_MAX)
        except _Refused as refused:
            await _answer(sending, refused)
            return
        except StoreError as error:
            await _answer(sending, _Refused(503, str(error)))
            return
        with contextlib.suppress(Exception):  # told and answered already, where it is handled
            await self._app(scope, receiving, sending)

    def _check_host(self, headers: dict[str, str]) -> None:
        """Answer to our own names and numbers only, so that no other name can be bent to us."""
        try:
            name = (urlsplit(f"//{headers.get('host', '')}").hostname or "").rstrip(".")
        except ValueError:
            name = ""
        if name in self._names or _is_number(name):
            return
        raise _Refused(421, "This computer does not answer to that name. The owner can add it to "
                            "names under [web] in the configuration.")  # fmt: skip


async def guard(request: Request) -> None:
    """Let a phone through to a page that it may see; for every route."""
    endpoint = request.scope["endpoint"]
    wanted = endpoint.needs
    if wanted == "anyone":
        return
    phone, parts = request.scope["phone"], request.app.state.parts
    if phone is None:
        raise HTTPException(401, "Sign in first.")
    if not may(phone, wanted):
        raise HTTPException(403, f"This needs the role {wanted}; yours is {phone.role}.")
    if request.method in _READING:
        return
    if not fits_token(request.scope["token"], await _given_token(request)):
        raise HTTPException(403, "This page was open for too long; load it again and repeat.")
    wait_s = parts.writes.wait_s(phone.id)
    if wait_s:
        raise HTTPException(429, f"That was often; wait {wait_s:.0f} s.")


def form_token(token: str) -> str:
    """A token for the forms of one session, another text each time."""
    salt = secrets.token_hex(8)
    return f"{salt}.{_sealed(token, salt)}"


def fits_token(token: str, given: str) -> bool:
    """Whether a form's token was made for this session."""
    salt, _, seal = given.partition(".")
    return hmac.compare_digest(_sealed(token, salt).encode(), seal.encode())


def _sealed(token: str, salt: str) -> str:
    return hmac.new(token.encode(), salt.encode(), hashlib.sha256).hexdigest()[:32]


async def _given_token(request: Request) -> str:
    given = request.headers.get("x-form-token", "")
    if not given and "form" in request.headers.get("content-type", ""):
        given = str((await request.form()).get("token", ""))
    return given


def _check_origin(scope: Scope, headers: dict[str, str]) -> None:
    """Take what changes something from our own pages only."""
    if scope["method"] in _READING:
        return
    own = f"{scope['scheme']}://{headers.get('host', '')}"
    site = headers.get("sec-fetch-site", "same-origin")
    if headers.get("origin", "").lower() != own.lower() or site not in {"same-origin", "none"}:
        raise _Refused(403, "This did not come from a page of condmon's own.")


def _bounded(receive: Receive, headers: dict[str, str], most: int) -> Receive:
    """Refuse a body that says it is too long, and cut off one that turns out to be."""
    length = headers.get("content-length", "0")
    if not length.isdigit() or int(length) > most:
        raise _Refused(413, f"That is too large; the most taken here is {most // 1024} kB.")
    come = 0

    async def receiving() -> MutableMapping[str, Any]:
        nonlocal come
        message = await receive()
        come += len(message.get("body", b""))
        if come > most:
            return {"type": "http.disconnect"}
        return message

    return receiving


def _with_headers(send: Send, extra: list[tuple[bytes, bytes]]) -> Send:
    async def sending(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            message["headers"] = [*message.get("headers", []), *extra]
        await send(message)

    return sending


async def _answer(send: Send, refused: _Refused) -> None:
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"connection", b"close")]
    await send({"type": "http.response.start", "status": refused.status, "headers": headers})
    await send({"type": "http.response.body", "body": f"{refused}\n".encode()})


def _cookie(headers: dict[str, str]) -> str:
    for part in headers.get("cookie", "").split(";"):
        name, _, value = part.strip().partition("=")
        if name == COOKIE:
            return value[:100]
    return ""


def _names(parts: Parts) -> set[str]:
    web = parts.config.web
    assert web is not None
    own = socket.gethostname().lower()
    told = urlsplit(web.address).hostname if web.address else None
    return {"localhost", own, f"{own}.local", *web.names, *([told] if told else [])}


def _is_number(name: str) -> bool:
    try:
        ip_address(name)
    except ValueError:
        return False
    return True
