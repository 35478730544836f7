"""The box's own certificate: kept fresh, and how phones come to trust it.

Over plain HTTP goes the authority's certificate with its fingerprint and nothing else: it is no
secret, and who installs it compares the fingerprint with the one that the box itself tells.
"""

import base64
import hashlib
from collections.abc import Callable, Sequence
from pathlib import Path
from urllib.parse import urlsplit

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import Response
from markupsafe import Markup

from condmon import log
from condmon.clock import Clock
from condmon.config.shape import Config, Web
from condmon.engine.settings import CONDMON
from condmon.errors import CondmonError
from condmon.tls import authority
from condmon.web.gate import Asgi, Receive, Scope, Send
from condmon.web.parts import Parts, needs, parts_of, shown
from condmon.web.people import picture

router = APIRouter(include_in_schema=False)
FILE = "authority.crt"
MEDIA = "application/x-x509-ca-cert"
_log = log.get("certificate")


class OwnCertificate:
    """Looks after the page's own certificate, where the configuration asks for one.

    Parameters
    ----------
    config : Config
        With a [web] section.
    clock : Clock
        Time.
    note : callable
        Writes a line into the machine event log: (by, machine, text).
    """

    def __init__(self, config: Config, clock: Clock, note: Callable[[str, str, str], None]) -> None:
        assert config.web is not None
        self._config, self._clock, self._note = config, clock, note
        self._wanted = config.web.own_certificate
        self._names = names_of(config.web)
        self._repeats = log.Repeats(_log, clock.monotonic_s)

    def look(self) -> None:
        """Make what is missing and renew what is about to end; trouble goes to the log."""
        if not self._wanted:
            return
        folder, site = self._config.store.path, self._config.settings.site
        try:
            done = authority.ensure(folder, site, self._names, self._clock.now_us())
        except CondmonError as error:
            self._repeats.tell("error", "the own certificate cannot be looked after",
                               error=str(error), meaning="the page goes on with the one it has, "
                               "until that ends")  # fmt: skip
            return
        if done:
            _log.info(done, folder=str(folder / "tls"))
            self._note("condmon", CONDMON, done)


def names_of(web: Web) -> list[str]:
    """Names of the page that the configuration tells."""
    told = urlsplit(web.address).hostname if web.address else None
    own = [] if web.listen in {"0.0.0.0", "::"} else [web.listen]  # noqa: S104 - all of them
    return list(dict.fromkeys([*([told] if told else []), *web.names, *own]))


@router.get("/certificate")
@needs("viewer")
def certificate_page(request: Request) -> Response:
    """How a phone comes to trust this box, with a QR code of where it does that."""
    parts = parts_of(request)
    web = parts.config.web
    assert web is not None
    if not web.own_certificate:
        raise HTTPException(404, "This page has no certificate of its own; see [web] in the "
                                 "configuration.")  # fmt: skip
    host = urlsplit(web.address or str(request.base_url)).hostname or ""
    where = f"http://{f'[{host}]' if ':' in host else host}:{web.install_port}/"
    return shown(request, "certificate.html", fingerprint=_fingerprint(parts), where=where,
                 picture=picture(where) if web.install_port else "", file=FILE)  # fmt: skip


@router.get(f"/{FILE}")
@needs("viewer")
def authority_file(request: Request) -> Response:
    """The authority's certificate, where the page stands that tells of it."""
    status, media, body = _answer(parts_of(request), f"/{FILE}")
    return Response(body, status, media_type=media)


def installer(parts: Parts) -> Asgi:
    """The plain application that hands out the authority's certificate."""
    css = parts.files["page.css"][1]
    mark = base64.b64encode(hashlib.sha256(css).digest()).decode()
    policy = (
        f"default-src 'none'; style-src 'sha256-{mark}'; base-uri 'none'; "
        "frame-ancestors 'none'; form-action 'none'"
    )
    strict = [
        ("Content-Security-Policy", policy),
        ("X-Content-Type-Options", "nosniff"),
        ("Referrer-Policy", "no-referrer"),
        ("Cache-Control", "no-store"),
    ]

    async def app(scope: Scope, _: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        asked = scope["path"] if scope["method"] in {"GET", "HEAD"} else ""
        status, media, body = _answer(parts, asked)
        headers = [*strict, ("Content-Type", media), ("Content-Length", str(len(body)))]
        if media == MEDIA:
            headers.append(("Content-Disposition", f'attachment; filename="condmon-{FILE}"'))
        await send({"type": "http.response.start", "status": status, "headers": _bytes(headers)})
        await send({"type": "http.response.body", "body": body})

    return app


def _answer(parts: Parts, path: str) -> tuple[int, str, bytes]:
    """Status, media type and body."""
    try:
        if path == f"/{FILE}":
            return 200, MEDIA, authority.der(authority.places(parts.folder).authority)
        if path == "/":
            return 200, "text/html; charset=utf-8", _page(parts).encode()
    except (OSError, ValueError):
        return 503, "text/plain; charset=utf-8", b"The certificate cannot be read now.\n"
    return 404, "text/plain; charset=utf-8", b"Only the certificate is handed out here.\n"


def _page(parts: Parts) -> str:
    web = parts.config.web
    assert web is not None
    at = authority.places(parts.folder)
    own = next(iter(names_of(web)), "") or authority.told(at.page)[0]
    return parts.templates.get_template("install.html").render(
        site=parts.settings.site,
        css=Markup(parts.files["page.css"][1].decode()),  # noqa: S704 - a file of our own
        fingerprint=_fingerprint(parts),
        file=FILE,
        page=web.address or f"https://{own}:{web.port}",
    )


def _fingerprint(parts: Parts) -> str:
    path: Path = authority.places(parts.folder).authority
    return authority.fingerprint(path)


def _bytes(headers: Sequence[tuple[str, str]]) -> list[tuple[bytes, bytes]]:
    return [(name.lower().encode(), value.encode()) for name, value in headers]
