"""People and their phones: who may do what, what is signed in, and pairing one more phone."""

from typing import Annotated

import segno
from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import Response
from markupsafe import Markup

from condmon.engine.settings import CONDMON
from condmon.web.accounts import PAIR_S, ROLES, Role, proper_name
from condmon.web.gate import COOKIE
from condmon.web.parts import Parts, back_to, may, needs, parts_of, phone_of, shown

router = APIRouter(include_in_schema=False)

Name = Annotated[str, Form(max_length=60)]
Text = Annotated[str, Form(max_length=400)]


@router.get("/more")
@needs("viewer")
def more_page(request: Request) -> Response:
    """Everything that is not looked at each day."""
    web = parts_of(request).config.web
    return shown(request, "more.html", own_certificate=web is not None and web.own_certificate)


@router.get("/people")
@needs("viewer")
def people_page(request: Request) -> Response:
    """Accounts and signed-in phones: all of them for an owner, one's own for others."""
    parts, phone = parts_of(request), phone_of(request)
    rules = may(phone, "owner")
    return shown(
        request,
        "people.html",
        accounts=[a for a in parts.accounts.all() if rules or a.name == phone.account],
        phones=[p for p in parts.accounts.phones() if rules or p.account == phone.account],
        roles=ROLES,
    )


@router.post("/people/add")
@needs("owner")
def add(
    request: Request, name: Name, role: Annotated[Role, Form()], password: Text = ""
) -> Response:
    """Make an account."""
    made = parts_of(request).accounts.add(name, role, password)
    return _told(request, f"{made} was added as {role}")


@router.post("/people/role")
@needs("owner")
def set_role(request: Request, name: Name, role: Annotated[Role, Form()]) -> Response:
    """Give an account another role."""
    parts_of(request).accounts.set_role(name, role)
    return _told(request, f"{name} is now {role}")


@router.post("/people/remove")
@needs("owner")
def remove(request: Request, name: Name) -> Response:
    """Take an account and its phones away."""
    parts_of(request).accounts.remove(name)
    return _told(request, f"{name} was removed, and every phone of {name} signed out")


@router.post("/people/password")
@needs("viewer")
def set_password(request: Request, password: Text, name: Name = "", old: Text = "") -> Response:
    """Set one's own password, by the old one if there is one; an owner sets anyone's."""
    parts, phone = parts_of(request), phone_of(request)
    name = proper_name(name or phone.account)
    known = {a.name: a for a in parts.accounts.all()}.get(name)
    if known is None:
        raise HTTPException(404, "There is no such account.")
    own = name == phone.account
    if not own and not may(phone, "owner"):
        raise HTTPException(403, "Only an owner sets the password of others.")
    if own and known.has_password:
        if parts.tries_name.wait_s(name):
            raise HTTPException(429, "Too many tries; wait a minute.")
        if not parts.accounts.password_fits(name, old):
            raise HTTPException(403, "The old password is another; nothing was changed.")
    parts.accounts.set_password(name, password)
    answer = _told(request, f"{name} has a new password; phones of {name} have to sign in again")
    if own:  # this phone goes on
        token = parts.accounts.sign_in(name, phone.name, phone.address)
        answer.set_cookie(COOKIE, token, httponly=True, samesite="lax",
                          secure=request.url.scheme == "https",
                          max_age=round(parts.config.web.signed_in_for_s)
                          if parts.config.web else None)  # fmt: skip
    return answer


@router.post("/people/pair")
@needs("viewer")
def pair(request: Request, name: Name = "") -> Response:
    """Show a code by which one phone can sign in: as oneself, or as anyone for an owner."""
    parts, phone = parts_of(request), phone_of(request)
    name = proper_name(name or phone.account)
    if name != phone.account and not may(phone, "owner"):
        raise HTTPException(403, "Only an owner pairs phones of others.")
    code = parts.accounts.pairing_code(name)
    parts.live.note(phone.account, CONDMON, f"a code to pair a phone for {name} was made")
    link = pairing_link(parts, str(request.base_url), code)
    return shown(
        request, "pair_code.html", name=name, code=code, link=link, picture=picture(link),
        minutes=PAIR_S // 60,
    )  # fmt: skip


@router.post("/phones/sign-out")
@needs("viewer")
def sign_out(request: Request, id: Annotated[str, Form(max_length=40)]) -> Response:  # noqa: A002
    """End the session of a phone: one's own, or any for an owner."""
    parts, phone = parts_of(request), phone_of(request)
    one = next((p for p in parts.accounts.phones() if p.id == id), None)
    if one is None:
        raise HTTPException(404, "This phone is signed out already.")
    if one.account != phone.account and not may(phone, "owner"):
        raise HTTPException(403, "Only an owner signs out phones of others.")
    parts.accounts.sign_out(one.id)
    return _told(request, f"{one.name} of {one.account} was signed out")


def pairing_link(parts: Parts, base: str, code: str) -> str:
    """The address a phone opens to be paired."""
    web = parts.config.web
    return f"{(web.address if web and web.address else base).rstrip('/')}/pair?code={code}"


def picture(link: str) -> Markup:
    """A link as a QR code, drawn in black on white whatever the theme."""
    drawn = segno.make(link, error="m").svg_inline(
        border=4, dark="#000", light="#fff", omitsize=True, svgclass="qr", lineclass=None
    )
    return Markup(drawn)  # noqa: S704 - made of squares only


def _told(request: Request, text: str) -> Response:
    """Write into the log what was done to accounts, and show the people again."""
    entry = parts_of(request).live.act(
        "note", phone_of(request).account, machine=CONDMON, text=text
    )
    return back_to("/people", entry.id if entry else "later")
