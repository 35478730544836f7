"""Style sheet, scripts and pictures, from memory; their addresses change with their content."""

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import JSONResponse, Response

from condmon.web.icons import SIZES
from condmon.web.parts import needs, parts_of, shown

router = APIRouter(include_in_schema=False)


@router.get("/static/{name}")
@needs("anyone")
def static(request: Request, name: str) -> Response:
    """One file."""
    found = parts_of(request).files.get(name)
    if found is None:
        raise HTTPException(404, "There is no such file.")
    media, content = found
    kept = "public, max-age=31536000, immutable" if request.url.query else "no-cache"
    return Response(content, media_type=media, headers={"Cache-Control": kept})


@router.get("/manifest.webmanifest")
@needs("anyone")
def manifest(request: Request) -> Response:
    """What a phone needs to know to put the page on its first screen."""
    parts = parts_of(request)
    facts = {
        "name": f"condmon, {parts.settings.site}",
        "short_name": "condmon",
        "start_url": "/",
        "display": "standalone",
        "background_color": "#eef0f1",
        "theme_color": "#eef0f1",
        "id": "/",
        "icons": [
            {"src": parts.marks["mark.svg"], "sizes": "any", "type": "image/svg+xml"},
            *(
                {"src": parts.marks[f"mark-{n}.png"], "sizes": f"{n}x{n}", "type": "image/png"}
                for n in SIZES
            ),
        ],
    }
    return JSONResponse(facts, media_type="application/manifest+json")


@router.get("/worker.js")
@needs("anyone")
def worker(request: Request) -> Response:
    """The script that shows a page of its own when there is no connection; https only."""
    parts = parts_of(request)
    kept = [parts.marks["mark.svg"], "/offline"]
    text = f"const KEPT = {kept!r};\n".encode() + parts.files["worker.js"][1]
    return Response(text, media_type="text/javascript", headers={"Cache-Control": "no-cache"})


@router.get("/offline")
@needs("anyone")
def offline(request: Request) -> Response:
    """What is shown without a connection. It holds nothing of any machine."""
    request.scope["phone"] = None  # whoever asks, the same page: it is kept on the phone
    return shown(request, "offline.html")
