"""The ways in: the first owner's code, passwords and how many of them, pairing, TLS."""

import concurrent.futures
import contextlib
import socket
import ssl
import time

import pytest
import trustme
import uvicorn

from condmon.config.shape import Web
from condmon.web.server import _renew
from tests.waiting import until
from tests.web.house import PASSWORD, House


@pytest.fixture
def new(tmp_path):
    """A house nobody rules over yet."""
    made = House(tmp_path).start()
    yield made
    made.stop()


def open_the_door(house) -> None:
    """As if a minute had passed since the last try."""
    house.parts.tries_here.forget("127.0.0.1")


def cookie_of(answer) -> str:
    assert 303 == answer.status_code, answer.text
    kept = answer.headers["set-cookie"]
    assert "HttpOnly" in kept
    assert "samesite=lax" in kept.lower()
    return kept.split("=", 1)[1].split(";")[0]


def test_the_first_owner_comes_in_by_the_printed_code_and_only_once(new):
    client = new.client()
    code = new.parts.first_code
    assert code in new.service.greeting()
    assert "/first" == client.get("/sign-in").headers["location"]
    fields = {"name": "anna", "password": PASSWORD}
    assert 403 == client.post("/first", data=fields | {"code": "AAAA-BBBB-CCCC-DDDD"}).status_code
    weak = client.post("/first", data=fields | {"code": code, "password": "short"})
    assert 400 == weak.status_code
    assert "10 to 200" in weak.text
    cookie = cookie_of(client.post("/first", data=fields | {"code": code}))
    assert 200 == new.client(cookie).get("/people").status_code
    assert 403 == client.post("/first", data=fields | {"name": "eve", "code": code}).status_code
    assert ["anna"] == [a.name for a in new.parts.accounts.all()]
    until(lambda: "first owner" in new.client(cookie).get("/log").text, 5, "it is in the log")


def test_300_wrong_passwords_let_nobody_in_and_do_not_hold_up_the_page(house):
    house.parts.accounts.add("victim", "owner", PASSWORD)
    client, inside = house.client(), house.client(house.member("ben"))
    codes, waits = [], []

    def guess(number: int) -> int:
        return client.post("/sign-in", data={"name": "victim", "password": f"guess {number}"}
                           ).status_code  # fmt: skip

    with concurrent.futures.ThreadPoolExecutor(8) as many:
        guesses = [many.submit(guess, number) for number in range(300)]
        while not all(g.done() for g in guesses):
            began_s = time.monotonic()
            assert 200 == inside.get("/").status_code
            waits.append(time.monotonic() - began_s)
        codes = [g.result() for g in guesses]
    assert {403, 429} == set(codes)
    assert codes.count(403) <= 5
    assert max(waits) < 2.0
    assert 429 == client.post("/sign-in", data={"name": "victim", "password": PASSWORD}).status_code
    open_the_door(house)
    cookie_of(client.post("/sign-in", data={"name": "victim", "password": PASSWORD}))


def test_a_wrong_password_and_an_unknown_name_are_answered_alike(house):
    house.parts.accounts.add("walter", "viewer", PASSWORD)
    open_the_door(house)
    told = [
        house.client().post("/sign-in", data={"name": name, "password": "wrong one here"})
        for name in ("walter", "nobody")
    ]
    assert [403, 403] == [one.status_code for one in told]
    assert "do not go together" in told[0].text
    assert told[0].text.replace("walter", "nobody") == told[1].text


def test_after_signing_in_nobody_is_sent_to_another_site(house):
    house.parts.accounts.add("xenia", "viewer", PASSWORD)
    for target in ("https://evil.example/", "//evil.example", "/\\evil.example"):
        open_the_door(house)
        answer = house.client().post(
            "/sign-in", data={"name": "xenia", "password": PASSWORD, "next": target}
        )
        cookie_of(answer)
        assert "/" == answer.headers["location"]


def test_a_replayed_pairing_code_is_refused(house):
    open_the_door(house)
    code = house.parts.accounts.pairing_code("anna")
    client = house.client()
    assert 200 == client.get(f"/pair?code={code}").status_code  # looking uses nothing up
    cookie = cookie_of(client.post("/pair", data={"code": code, "phone": "shop phone"}))
    assert "shop phone" in house.client(cookie).get("/people").text
    assert 403 == client.post("/pair", data={"code": code}).status_code


def test_signing_out_ends_the_session(house):
    cookie = house.member("ben")
    assert 303 == house.client(cookie).post("/sign-out").status_code
    assert 401 == house.client(cookie).get("/api/now").status_code
    other = house.client(house.member("ben"))
    until(lambda: "ben signed out on ben&#39;s phone" in other.get("/log").text, 5, "it is logged")


def test_beyond_this_computer_it_listens_only_once_someone_rules(tmp_path):
    house = House(tmp_path)
    page = house.page
    page._web = Web(listen="0.0.0.0", port=house.port)
    assert "127.0.0.1" == page._host()
    house.parts.accounts.add("anna", "owner")
    assert "0.0.0.0" == page._host()
    house.stop()


def certificate(authority, folder, name: str) -> None:
    leaf = authority.issue_cert("127.0.0.1", common_name=name)
    (folder / "web.key").write_bytes(leaf.private_key_pem.bytes())
    (folder / "web.key").chmod(0o600)
    (folder / "web.pem").write_bytes(b"".join(p.bytes() for p in leaf.cert_chain_pems))


def name_on(port: int, authority) -> str:
    """Common name of the certificate that is served, checked against the authority."""
    context = ssl.create_default_context()
    authority.configure_trust(context)
    with (
        socket.create_connection(("127.0.0.1", port), 5) as plain,
        context.wrap_socket(plain, server_hostname="127.0.0.1") as wrapped,
    ):
        subject = wrapped.getpeercert()["subject"]
    return next(value for part in subject for key, value in part if key == "commonName")


def test_a_renewed_certificate_is_taken_up_without_a_restart(tmp_path):
    authority = trustme.CA()
    certificate(authority, tmp_path, "first")
    house = House(tmp_path, web='cert_file = "web.pem"\nkey_file = "web.key"').start()
    try:
        assert "first" == name_on(house.port, authority)
        (tmp_path / "web.pem").write_text("half written")
        assert "first" == name_on(house.port, authority)
        certificate(authority, tmp_path, "second")
        until(lambda: name_on(house.port, authority) == "second", 10, "the new one is served")
    finally:
        house.stop()


def test_a_certificate_whose_key_has_not_come_yet_leaves_the_old_pair_in_use(tmp_path):
    authority, cert, key = trustme.CA(), tmp_path / "web.pem", tmp_path / "web.key"
    certificate(authority, tmp_path, "first")
    config = uvicorn.Config(None, ssl_certfile=cert, ssl_keyfile=key)
    config.ssl = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    config.ssl.load_cert_chain(cert, key)
    old_key = key.read_bytes()
    certificate(authority, tmp_path, "second")
    new_key = key.read_bytes()
    key.write_bytes(old_key)
    _renew(config, cert, key)
    assert "first" == name_of(config.ssl, authority)
    key.write_bytes(new_key)
    _renew(config, cert, key)
    assert "second" == name_of(config.ssl, authority)


def name_of(ours: ssl.SSLContext, authority) -> str:
    """Common name that a server with this context shows, without a network."""
    theirs = ssl.create_default_context()
    authority.configure_trust(theirs)
    a, b = ssl.MemoryBIO(), ssl.MemoryBIO()
    host = ours.wrap_bio(a, b, server_side=True)
    guest = theirs.wrap_bio(b, a, server_hostname="127.0.0.1")
    for side in (guest, host, guest, host):
        with contextlib.suppress(ssl.SSLWantReadError):
            side.do_handshake()
    subject = guest.getpeercert()["subject"]
    return next(value for part in subject for key, value in part if key == "commonName")
