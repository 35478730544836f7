"""Puts the page together: parts, routes, the gate, how errors are told."""

import hashlib
import mimetypes
from pathlib import Path
from typing import Any

from fastapi import Depends, FastAPI, HTTPException, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from fastapi.routing import APIRoute
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.exceptions import HTTPException as PlainHTTPException
from starlette.middleware.gzip import GZipMiddleware

from condmon import __version__, log
from condmon.errors import CondmonError, StoreError
from condmon.web import (
    acts,
    book,
    bookforms,
    doors,
    entries,
    files,
    installing,
    logbook,
    machines,
    measuring,
    now,
    people,
    plain,
    reports,
    stream,
    visits,
    ways,
    whatif,
)
from condmon.web import wording as words
from condmon.web.gate import Asgi, Gate, guard
from condmon.web.icons import icons
from condmon.web.parts import Parts, back_to, shown

FOLDER = Path(__file__).parent
_log = log.get("page")
_PAGES = (
    now,
    acts,
    machines,
    logbook,
    entries,
    book,
    bookforms,
    visits,
    measuring,
    people,
    ways,
    reports,
    installing,
    doors,
    stream,
    files,
    plain,
    whatif,
)
ROUTERS = tuple(page.router for page in _PAGES)
_NOT_READ = "Something in this form cannot be read. Go back, look at what was filled in, and send "
_NOT_READ += "it again."


def routes() -> list[APIRoute]:
    """Every route there is."""
    return [route for router in ROUTERS for route in router.routes if isinstance(route, APIRoute)]


def make_app(parts: Parts) -> Asgi:
    """The whole page as an ASGI application."""
    app = make_api(parts)
    return Gate(GZipMiddleware(app, minimum_size=700, compresslevel=5), parts)


def make_api(parts: Parts) -> FastAPI:
    """The application behind the gate. Its own documentation pages load from elsewhere: off."""
    app = _bare()
    app.state.parts = parts
    for route in routes():
        assert hasattr(route.endpoint, "needs"), f"nobody said who may ask for {route.path}"
    app.add_exception_handler(PlainHTTPException, _told)
    app.add_exception_handler(RequestValidationError, _misread)
    app.add_exception_handler(CondmonError, _troubled)
    app.add_exception_handler(Exception, _faulty)
    return app


def document() -> dict[str, Any]:
    """The JSON interface described as OpenAPI."""
    return _bare().openapi()


def _bare() -> FastAPI:
    app = FastAPI(
        title="condmon",
        version=__version__,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        dependencies=[Depends(guard)],
    )
    for router in ROUTERS:
        app.include_router(router)
    return app


def make_templates() -> Environment:
    """The templates, with escaping on and no name that may be missing."""
    env = Environment(
        loader=FileSystemLoader(FOLDER / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.globals.update(
        reading=words.reading,
        usual=words.usual,
        standing=words.standing,
        with_photos=logbook.with_photos,
    )
    return env


def load_files() -> tuple[dict[str, tuple[str, bytes]], dict[str, str]]:
    """Static files and pictures: type and content of each, and addresses that change with it."""
    loaded, marks = {}, {}
    found = {path.name: path.read_bytes() for path in sorted((FOLDER / "static").iterdir())}
    for name, content in (found | icons()).items():
        media = mimetypes.guess_type(name)[0] or "application/octet-stream"
        loaded[name] = (media, content)
        mark = hashlib.sha256(content).hexdigest()[:10]
        marks[name] = f"/static/{name}?v={mark}"
    return loaded, marks


# how errors are told: as a page to people, as JSON (RFC 9457) under /api


def _error(request: Request, status: int, text: str, headers: dict[str, str]) -> Response:
    if request.url.path.startswith("/api/"):
        body = {"status": status, "title": text}
        return JSONResponse(body, status, headers, media_type="application/problem+json")
    answer = shown(request, "error.html", status, words=text, status_code=status)
    answer.headers.update(headers)
    return answer


async def _told(request: Request, error: Exception) -> Response:
    assert isinstance(error, PlainHTTPException)
    path = request.url.path
    reading = request.method in {"GET", "HEAD"}
    if error.status_code == 401 and reading and not path.startswith(("/api/", "/live")):
        return back_to(f"/sign-in?next={path}")
    text = error.detail if isinstance(error, HTTPException) else ""
    if not text or error.detail in {"Not Found", "Method Not Allowed"}:
        text = "There is no such page." if error.status_code == 404 else "That cannot be done here."
    return _error(request, error.status_code, text, dict(error.headers or {}))


async def _misread(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    if request.url.path.startswith("/api/"):
        what = [{"where": list(e["loc"]), "words": e["msg"]} for e in error.errors()]
        body = {"status": 422, "title": "This cannot be read.", "problems": what}
        return JSONResponse(body, 422, media_type="application/problem+json")
    return _error(request, 422, _NOT_READ, {})


async def _troubled(request: Request, error: Exception) -> Response:
    return _error(request, 503 if isinstance(error, StoreError) else 400, str(error), {})


async def _faulty(request: Request, error: Exception) -> Response:
    _log.error("fault in a page", error=log.fault_words(error), path=request.url.path,
               meaning="this page could not be shown; the watch goes on")  # fmt: skip
    return _error(request, 500, "A fault in condmon itself; its log says more.", {})
