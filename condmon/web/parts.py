"""What every page works with, and how a page is handed out."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal, TypeVar

from fastapi import HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment
from markupsafe import Markup

from condmon.clock import Clock
from condmon.config.shape import Config
from condmon.engine.settings import Machine, Settings
from condmon.web.accounts import ROLES, Accounts, Phone, Role
from condmon.web.limits import Limit
from condmon.web.live import Live
from condmon.web.normal import Normal
from condmon.web.past import Past
from condmon.web.reading import PageReader
from condmon.web.shelf import Shelf
from condmon.web.weighing import Weighing
from condmon.web.wording import Wording

Needs = Literal["anyone", "viewer", "operator", "owner"]
Page = TypeVar("Page", bound=Callable[..., Any])


@dataclass(slots=True)
class Parts:
    """Everything the pages need, made once."""

    config: Config
    clock: Clock
    accounts: Accounts
    live: Live
    past: Past
    normal: Normal
    templates: Environment
    files: dict[str, tuple[str, bytes]]  # name -> media type, content
    marks: dict[str, str]  # name -> address with the mark of its content
    tries_here: Limit  # of one address, for whatever needs a secret
    tries_name: Limit  # of one name
    writes: Limit  # of one phone
    first_code: str = ""  # open while there is no owner
    shelf: Shelf = field(default_factory=Shelf)  # the service book
    weighing: Weighing = field(default_factory=Weighing)  # of other figures

    @property
    def settings(self) -> Settings:
        """The engine's settings."""
        return self.config.settings

    @property
    def folder(self) -> Path:
        """The data folder."""
        return self.config.store.path

    def reader(self) -> PageReader:
        """The journal, to be closed again."""
        return PageReader(self.folder)

    def wording(self) -> Wording:
        """Times and figures as the shop writes them, as seen from now."""
        return Wording(self.settings.calendar, self.live.now_us())

    def machine(self, machine_id: str) -> Machine:
        """A machine of the configuration; 404 when there is none."""
        for machine in self.settings.machines:
            if machine.id == machine_id:
                return machine
        raise HTTPException(404, "There is no such machine.")


def needs(role: Needs) -> Callable[[Page], Page]:
    """Mark who may ask for a page; a page without this mark is never served."""

    def mark(page: Page) -> Page:
        page.needs = role  # type: ignore[attr-defined]
        return page

    return mark


def parts_of(request: Request) -> Parts:
    """The parts of the program that serves a request."""
    parts: Parts = request.app.state.parts
    return parts


def phone_of(request: Request) -> Phone:
    """The phone that asks; only in pages that need a role."""
    phone: Phone = request.scope["phone"]
    return phone


def may(phone: Phone | None, role: Role) -> bool:
    """Whether a phone may do what a role may."""
    return phone is not None and ROLES.index(phone.role) >= ROLES.index(role)


def shown(request: Request, template: str, status: int = 200, /, **facts: Any) -> Response:
    """A page from its template, with what every page shows."""
    parts, phone = parts_of(request), request.scope.get("phone")
    wording = facts.pop("wording", None) or parts.wording()
    text = parts.templates.get_template(template).render(
        site=parts.settings.site,
        phone=phone,
        can_act=may(phone, "operator"),
        is_owner=may(phone, "owner"),
        token=request.scope["form_token"](),
        marks=parts.marks,
        css=Markup(parts.files["page.css"][1].decode()),  # noqa: S704 - a file of our own
        wording=wording,
        path=request.url.path,
        still=request.method == "POST",  # an answer to a form cannot be asked for again
        said=_said(parts, request.query_params.get("said", "")),
        **facts,
    )
    return HTMLResponse(text, status, {"Cache-Control": "no-store"})


def back_to(path: str, said: str = "") -> Response:
    """The page to show after something was done; never one of another site."""
    if not path.startswith("/") or path.startswith(("//", "/\\")) or "\n" in path or "\r" in path:
        path = "/"
    path = path.split("#", 1)[0].split("?said=", 1)[0].split("&said=", 1)[0]
    if said:
        path += f"{'&' if '?' in path else '?'}said={said}"
    return RedirectResponse(path, 303)


def _said(parts: Parts, entry_id: str) -> str:
    """What the log says of what was just done."""
    if not entry_id:
        return ""
    if entry_id == "later":
        return "Taken in; it is not written down yet. Look at the log in a moment."
    with parts.reader() as reader:
        entry = reader.entry(entry_id[:64])
    return entry.text if entry else ""
