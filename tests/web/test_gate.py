"""What the gate lets in: hosts, origins, sizes, sessions, roles, tokens; headers on the way out."""

import re

import pytest

from condmon.web.app import routes
from condmon.web.gate import BODY_MAX, fits_token, form_token

OPEN = {"/sign-in", "/first", "/pair", "/static/{name}", "/manifest.webmanifest", "/worker.js",
        "/offline"}  # fmt: skip
ROUTES = [(method, route) for route in routes() for method in sorted(route.methods)]


def address(route) -> str:
    return re.sub(r"\{\w+\}", "x", route.path)


def test_pages_open_to_anyone_are_these_and_no_others():
    assert OPEN == {route.path for route in routes() if route.endpoint.needs == "anyone"}


@pytest.mark.parametrize(("method", "route"), [
    pytest.param(method, route, id=f"{method} {route.path}")
    for method, route in ROUTES if route.path not in OPEN
])  # fmt: skip
@pytest.mark.parametrize("cookie", ["", "made-up"])
def test_without_a_session_every_route_answers_401_or_the_sign_in_page(
    house, method, route, cookie
):
    answer = house.client(Cookie=f"condmon={cookie}").ask(method, address(route))
    if method == "GET" and not route.path.startswith(("/api/", "/live")):
        assert 303 == answer.status_code
        assert answer.headers["location"].startswith("/sign-in?next=/")
    else:
        # a body that does not fit may be refused before it is asked who sends it
        assert answer.status_code in {401, 422}
    assert "mill" not in answer.text


@pytest.mark.parametrize("route", [r for m, r in ROUTES if m == "POST" and r.path not in OPEN],
                         ids=lambda r: r.path)  # fmt: skip
def test_a_viewer_can_only_write_about_its_own_phones(house, route):
    own = {"/sign-out", "/phones/sign-out", "/people/pair", "/people/password", "/ways/push",
           "/ways/push/off"}  # fmt: skip
    if route.path in own:
        assert "viewer" == route.endpoint.needs
        return
    cookie = house.member("cara", "viewer")
    fields = {"do": "note", "machine": "mill-1", "text": "x", "name": "cara", "role": "owner"}
    how = {"json": fields} if route.path.startswith("/api/") else {"data": fields}
    how["json"] = {"do": "note", "machine": "mill-1", "text": "x"} if "json" in how else None
    answer = house.client(cookie).post(address(route), **how)
    assert 403 == answer.status_code
    assert "role" in answer.text


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "", "http://127.0.0.1:1"])
def test_post_from_another_site_is_refused(house, origin):
    cookie = house.member("ben")
    answer = house.client(cookie, Origin=origin).post(
        "/act", data={"do": "note", "machine": "mill-1", "text": "from elsewhere"}
    )
    assert 403 == answer.status_code
    assert "own" in answer.text
    assert "from elsewhere" not in house.client(cookie).get("/log").text


def test_post_without_the_token_of_this_session_is_refused(house):
    ben, other = house.member("ben"), house.member("ben")
    for token in ("", "made.up", form_token(other)):
        answer = house.client(ben, **{"X-Form-Token": ""}).post(
            "/act", data={"do": "note", "machine": "mill-1", "text": "no", "token": token}
        )
        assert 403 == answer.status_code


def test_the_token_of_a_form_is_another_text_each_time_and_fits_its_session_only():
    one, two = form_token("a"), form_token("a")
    assert one != two
    assert fits_token("a", one)
    assert fits_token("a", two)
    assert not fits_token("b", one)
    assert not fits_token("a", "")


def test_another_name_of_this_computer_is_not_answered(house):
    answer = house.client(Host="evil.example").get("/sign-in")
    assert 421 == answer.status_code
    assert "names under [web]" in answer.text
    assert 200 == house.client(Host="localhost").get("/pair").status_code


def test_body_that_is_too_large_is_refused_with_and_without_its_length(house):
    cookie = house.member("ben")
    client = house.client(cookie)
    big = b"text=" + b"x" * BODY_MAX
    headers = {"Content-Type": "application/x-www-form-urlencoded"}
    assert 413 == client.post("/act", data=big, headers=headers).status_code
    parts = (big[i : i + 9000] for i in range(0, len(big), 9000))  # chunked: no length is told
    assert client.post("/act", data=parts, headers=headers).status_code >= 400
    assert 200 == client.get("/").status_code


@pytest.mark.parametrize("path", ["/", "/sign-in", "/nowhere", "/api/now", "/static/page.css"])
def test_strict_headers_are_on_every_answer(house, path):
    headers = house.client(house.member("ben")).get(path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert "nosniff" == headers["x-content-type-options"]
    assert "same-origin" == headers["referrer-policy"]
    assert "server" not in headers


def test_no_page_loads_anything_from_elsewhere(house):
    client = house.client(house.member("anna", "owner"))
    for path in ("/", "/machines/mill-1", "/log", "/people", "/more", "/ways", "/unexplained",
                 "/report"):  # fmt: skip
        found = re.findall(r'(?:src|href|action)="([^"]*)"', client.get(path).text)
        assert found
        assert [] == [one for one in found if not one.startswith(("/", "?", "#"))]


def test_writing_too_often_from_one_phone_is_refused(house):
    cookie = house.member("dora")
    phone = house.parts.accounts.phone(cookie)
    for _ in range(120):
        house.parts.writes.wait_s(phone.id)
    answer = house.client(cookie).post("/sign-out")
    assert 429 == answer.status_code
    assert "wait" in answer.text
