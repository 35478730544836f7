"""Ways in and out: the first owner, signing in by password, pairing a phone, signing out."""

import hmac
from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Request
from fastapi.responses import Response

from condmon import log
from condmon.engine.settings import CONDMON
from condmon.errors import UsageError
from condmon.web.accounts import bare_code
from condmon.web.gate import COOKIE
from condmon.web.parts import back_to, needs, parts_of, phone_of, shown
from condmon.web.passwords import Busy

router = APIRouter(include_in_schema=False)
_log = log.get("page")

Text = Annotated[str, Form(max_length=400)]
Name = Annotated[str, Form(max_length=60)]


@router.get("/sign-in")
@needs("anyone")
def sign_in_page(request: Request, next: str = "/") -> Response:  # noqa: A002 - a word of addresses
    """The page to sign in by password."""
    parts = parts_of(request)
    if request.scope["phone"]:
        return back_to(next)
    if parts.first_code and not parts.accounts.has_owner():
        return back_to("/first")
    return _door(request, "sign_in.html", next=next)


@router.post("/sign-in")
@needs("anyone")
def sign_in(
    request: Request,
    name: Name,
    password: Text,
    phone: Name = "",
    next: Text = "/",  # noqa: A002 - a word of addresses
) -> Response:
    """Sign in by name and password."""
    parts = parts_of(request)
    _slow_down(request, name.strip().lower())
    try:
        account = parts.accounts.password_fits(name, password)
    except Busy as busy:
        raise HTTPException(429, "Many are signing in at once; try again in a moment.") from busy
    if not account:
        _log.warning("wrong password", address=_address(request), meaning="nobody was let in")
        words = "Name and password do not go together. Nobody was signed in."
        return _door(request, "sign_in.html", 403, next=next, name=name, wrong=words)
    parts.tries_name.forget(account)
    return _let_in(request, account, phone, next)


@router.get("/first")
@needs("anyone")
def first_page(request: Request) -> Response:
    """The page on which the first owner makes an account."""
    parts = parts_of(request)
    if not parts.first_code or parts.accounts.has_owner():
        return back_to("/sign-in")
    return _door(request, "first.html")


@router.post("/first")
@needs("anyone")
def first(request: Request, code: Name, name: Name, password: Text, phone: Name = "") -> Response:
    """Make the first owner, by the code that the daemon printed."""
    parts = parts_of(request)
    _slow_down(request, "first owner")
    wanted = bare_code(parts.first_code)
    if not wanted or parts.accounts.has_owner():
        raise HTTPException(403, "There is an owner already.")
    if not hmac.compare_digest(wanted.encode(), bare_code(code).encode()):
        return _door(request, "first.html", 403, name=name, wrong="This is not the code.")
    try:
        account = parts.accounts.add(name, "owner", password)
    except UsageError as error:
        return _door(request, "first.html", 400, name=name, code=code, wrong=str(error))
    parts.first_code = ""
    parts.live.note(account, CONDMON, f"{account} became the first owner of the phone page")
    return _let_in(request, account, phone, "/")


@router.get("/pair")
@needs("anyone")
def pair_page(request: Request, code: str = "") -> Response:
    """The page a pairing code leads to; looking at it uses nothing up."""
    return _door(request, "pair.html", code=code[:40])


@router.post("/pair")
@needs("anyone")
def pair(request: Request, code: Name, phone: Name = "") -> Response:
    """Sign a phone in by a pairing code, once."""
    _slow_down(request, "")
    account = parts_of(request).accounts.use_code(code)
    if not account:
        words = "This code is not valid: it was used, or its five minutes are over. Make a new one."
        return _door(request, "pair.html", 403, wrong=words)
    return _let_in(request, account, phone, "/")


@router.post("/sign-out")
@needs("viewer")
def sign_out(request: Request) -> Response:
    """End the session of this phone."""
    phone = phone_of(request)
    parts = parts_of(request)
    parts.accounts.sign_out(phone.id)
    parts.live.note(phone.account, CONDMON, f"{phone.account} signed out on {phone.name}")
    answer = back_to("/sign-in")
    answer.delete_cookie(COOKIE)
    return answer


def _door(request: Request, template: str, status: int = 200, **facts: str) -> Response:
    """A page for who is not signed in yet; says what an unencrypted way cannot protect."""
    here = request.client is None or request.client.host in {"127.0.0.1", "::1"}
    open_way = request.url.scheme == "http" and not here
    known = {"next": "/", "name": "", "code": "", "wrong": "", "device": _device(request)}
    return shown(request, template, status, open_way=open_way, **(known | facts))


def _let_in(request: Request, account: str, phone: str, path: str) -> Response:
    parts = parts_of(request)
    device = " ".join(phone.split()) or _device(request)
    token = parts.accounts.sign_in(account, device, _address(request))
    parts.live.note(account, CONDMON, f"{account} signed in on {device} from {_address(request)}")
    answer = back_to(path)
    answer.set_cookie(
        COOKIE,
        token,
        max_age=round(parts.config.web.signed_in_for_s) if parts.config.web else None,
        httponly=True,
        samesite="lax",
        secure=request.url.scheme == "https",
    )
    return answer


def _slow_down(request: Request, name: str) -> None:
    """Refuse what is tried too often, before any password is looked at."""
    parts = parts_of(request)
    wait_s = parts.tries_here.wait_s(_address(request))
    if not wait_s and name:
        wait_s = parts.tries_name.wait_s(name)
    if wait_s:
        words = f"Too many tries; wait {wait_s:.0f} s. Phones that are signed in go on as before."
        raise HTTPException(429, words, {"Retry-After": f"{wait_s:.0f}"})


def _address(request: Request) -> str:
    return request.client.host if request.client else "unknown"


def _device(request: Request) -> str:
    """A first guess at what a browser runs on."""
    agent = request.headers.get("user-agent", "")
    for word in ("iPhone", "iPad", "Android", "Windows", "Macintosh", "Linux"):
        if word in agent:
            return {"Android": "Android phone", "Macintosh": "Mac"}.get(word, word)
    return "browser"
