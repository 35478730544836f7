"""The box's own authority: made, bound to its names, renewed, handed out; the installed page."""

import base64
import contextlib
import hashlib
import json
import re
import socket
import ssl

import pytest
import requests
from cryptography import x509
from cryptography.hazmat.primitives import serialization

from condmon.cli import main
from condmon.clock import Clock
from condmon.config import load
from condmon.errors import ConfigError, StoreError, UsageError
from condmon.tls import authority
from condmon.tls.boxnames import own_names
from condmon.web import server
from tests.brokers import free_port
from tests.waiting import until
from tests.web.browsers import chromium, errors_of, phone
from tests.web.house import House

NOW_US = Clock().now_us()
DAY_US = 86_400_000_000
SITE = "North Pier Optics"


@pytest.fixture(scope="module")
def box(tmp_path_factory):
    """A house with a certificate of its own, and the port for installing."""
    patch = pytest.MonkeyPatch()
    patch.setattr(server, "OWN_CERTIFICATE_EVERY", 5)
    port = free_port()
    web = f'own_certificate = true\ninstall_port = {port}\nnames = ["condmon.pier.example"]'
    made = House(tmp_path_factory.mktemp("box"), web=web).start()
    made.healthy()
    yield made, f"http://127.0.0.1:{port}"
    made.stop()
    patch.undo()


def ca_of(house) -> str:
    return str(authority.places(house.config.store.path).authority)


def served(house) -> bytes:
    """The certificate that is served, trusted by the authority."""
    context = ssl.create_default_context(cafile=ca_of(house))
    return handshake(context, ("127.0.0.1", house.port), "127.0.0.1")


def handshake(context: ssl.SSLContext, where: tuple[str, int], name: str) -> bytes:
    with (
        socket.create_connection(where, 5) as plain,
        context.wrap_socket(plain, server_hostname=name) as wrapped,
    ):
        return wrapped.getpeercert(binary_form=True)


def test_the_page_is_trusted_by_whoever_trusts_the_box(box):
    house, _ = box
    assert 200 == requests.get(f"{house.url}/pair", verify=ca_of(house), timeout=10).status_code
    with pytest.raises(requests.exceptions.SSLError):
        requests.get(f"{house.url}/pair", timeout=10)
    keys = authority.places(house.config.store.path)
    assert ["0o600", "0o600"] == [
        oct(path.stat().st_mode & 0o777) for path in (keys.authority_key, keys.page_key)
    ]


def test_a_certificate_about_to_end_is_renewed_and_served_without_a_restart(box):
    house, _ = box
    folder, first = house.config.store.path, served(house)
    authority.renew(folder, ["condmon.pier.example"], NOW_US - 150 * DAY_US)
    old = authority.der(authority.places(folder).page)
    until(lambda: served(house) not in {first, old}, 15, "it is renewed")
    assert ends_in_days(served(house)) > 190
    assert authority.der(authority.places(folder).page) == served(house)
    until(lambda: "certificate was renewed" in log_of(house), 5, "it is in the log")


def test_the_end_of_the_page_s_certificate_is_a_figure_of_condmon_s_own_health(box):
    house, _ = box
    page = authority.places(house.config.store.path).page
    assert authority.ends_at_us(page) == house.service._certificate_ends_us()


def ends_in_days(der: bytes) -> float:
    ends = x509.load_der_x509_certificate(der).not_valid_after_utc.timestamp()
    return (ends * 1e6 - NOW_US) / DAY_US


def log_of(house) -> str:
    with house.parts.reader() as reader:
        return " ".join(entry.text for entry in reader.entries(20, "condmon"))


def test_over_plain_http_goes_the_certificate_with_its_fingerprint_and_nothing_else(box):
    house, plain = box
    page = requests.get(plain, timeout=10)
    told = fingerprint_on(page.text)
    file = requests.get(f"{plain}/authority.crt", timeout=10)
    assert "application/x-x509-ca-cert" == file.headers["content-type"]
    assert told.replace(":", "").lower() == hashlib.sha256(file.content).hexdigest()
    assert x509.load_der_x509_certificate(file.content).subject.rfc4514_string().endswith(SITE)
    assert "default-src 'none'" in page.headers["content-security-policy"]
    for path in ("/sign-in", "/static/page.css", "/api/now", "/authority.key", "/../page.key"):
        assert 404 == requests.get(plain + path, timeout=10).status_code
    for method in ("POST", "PUT", "DELETE"):
        assert 404 == requests.request(method, plain, timeout=10, data="x").status_code
    assert "mill" not in page.text
    assert "set-cookie" not in page.headers
    assert house.config.web.cert_file is not None


def fingerprint_on(text: str) -> str:
    return re.search(r"(?:[0-9A-F]{2}:){31}[0-9A-F]{2}", text.replace("<wbr>", ""))[0]


def test_the_page_of_a_signed_in_phone_leads_to_the_page_for_installing(box):
    house, plain = box
    cookies = {"condmon": house.member("ben")}
    page = requests.get(f"{house.url}/certificate", verify=ca_of(house), cookies=cookies, timeout=9)
    assert f"{plain}/" in page.text
    own = authority.places(house.config.store.path).authority
    assert authority.fingerprint(own) == fingerprint_on(page.text)
    assert "<svg" in page.text
    file = requests.get(f"{house.url}/authority.crt", verify=ca_of(house), cookies=cookies,
                        timeout=9)  # fmt: skip
    assert requests.get(f"{plain}/authority.crt", timeout=10).content == file.content


@pytest.mark.slow
def test_the_page_can_be_installed_and_shows_only_its_own_page_without_a_connection(box, driver):
    """Chromium over https: manifest, service worker; what is kept on the phone holds no figure."""
    house, _ = box
    leaf = x509.load_der_x509_certificate(served(house))
    info = leaf.public_key().public_bytes(
        serialization.Encoding.DER, serialization.PublicFormat.SubjectPublicKeyInfo
    )
    pin = base64.b64encode(hashlib.sha256(info).digest()).decode()
    with chromium(driver, f"--ignore-certificate-errors-spki-list={pin}") as browser:
        context = phone(browser, house, house.member("ben"), strict=True)
        page = context.new_page()
        complaints = errors_of(page)
        page.goto("/")
        page.get_by_role("heading", level=1).wait_for()
        assert page.evaluate("navigator.serviceWorker.ready.then(r => r.active.scriptURL)")
        page.reload()
        page.wait_for_function("navigator.serviceWorker.controller !== null")
        page.goto("/machines/mill-1")
        page.get_by_text("upper spindle bearing").first.wait_for()
        wire = context.new_cdp_session(page)
        manifest = json.loads(wire.send("Page.getAppManifest")["data"])
        assert {"192x192", "512x512"} <= {icon["sizes"] for icon in manifest["icons"]}
        faults = wire.send("Page.getInstallabilityErrors")["installabilityErrors"]
        assert [] == [f["errorId"] for f in faults if f["errorId"] != "in-incognito"]
        kept = page.evaluate(KEPT)
        assert [] == complaints
        context.set_offline(True)
        page.goto("/machines/mill-1")
        page.get_by_role("heading", name="No connection").wait_for()
        assert "Nothing is known of the machines from here" in page.inner_text("main")
        assert "bearing" not in page.inner_text("body")
        context.close()
    assert kept
    assert all("bearing" not in text and "mill" not in text for text in kept.values())
    assert any("No connection" in text for text in kept.values())


KEPT = """async () => {
  const kept = {};
  for (const name of await caches.keys()) {
    const cache = await caches.open(name);
    for (const request of await cache.keys())
      kept[request.url] = await (await cache.match(request)).text();
  }
  return kept;
}"""


# the authority by itself


@pytest.fixture
def folder(tmp_path):
    authority.ensure(tmp_path, SITE, ["condmon.pier.example"], NOW_US)
    return tmp_path


def test_what_is_fresh_is_left_alone_and_what_ends_soon_or_lacks_a_name_is_renewed(folder):
    page = authority.places(folder).page
    before = page.read_bytes()
    assert "" == authority.ensure(folder, SITE, ["condmon.pier.example"], NOW_US + 100 * DAY_US)
    assert before == page.read_bytes()
    later = NOW_US + 145 * DAY_US
    assert "renewed" in authority.ensure(folder, SITE, ["condmon.pier.example"], later)
    assert authority.ends_at_us(page) > NOW_US + 300 * DAY_US
    page.unlink()
    assert "renewed" in authority.ensure(folder, SITE, ["condmon.pier.example"], later)
    assert {"condmon.pier.example", "127.0.0.1", "localhost"} <= set(authority.told(page))


def test_a_name_the_authority_was_not_made_for_is_refused_with_what_to_do(folder):
    with pytest.raises(UsageError, match="condmon certificate make"):
        authority.ensure(folder, SITE, ["other.example"], NOW_US)


def test_a_damaged_file_is_told_with_what_to_do(folder):
    authority.places(folder).page.write_text("half")
    with pytest.raises(StoreError, match="Move the folder away"):
        authority.ensure(folder, SITE, [], NOW_US)


def test_a_stolen_key_of_the_box_cannot_vouch_for_another_site(folder, monkeypatch):
    """OpenSSL, as phones do, refuses a leaf outside the name constraints though it is signed."""
    at, foreign = authority.places(folder), ["bank.example", "8.8.8.8"]
    names, check = authority.wanted_names, authority._check_allowed
    # of this folder only: the box of the other tests looks after its certificate all the time
    monkeypatch.setattr(
        authority, "wanted_names", lambda of, own: foreign if of == at.authority else names(of, own)
    )
    monkeypatch.setattr(
        authority, "_check_allowed", lambda of, all_: None if all_ == foreign else check(of, all_)
    )
    assert "" == refusal(at, "condmon.pier.example")
    authority.renew(folder, [], NOW_US)
    assert "permitted subtree violation" in refusal(at, "bank.example")


def refusal(at: authority.Places, name: str) -> str:
    """What a client that trusts the authority says to the page's certificate; empty: nothing."""
    ours, theirs = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER), ssl.create_default_context()
    ours.load_cert_chain(at.page, at.page_key)
    theirs.load_verify_locations(at.authority)
    a, b = ssl.MemoryBIO(), ssl.MemoryBIO()
    host = ours.wrap_bio(a, b, server_side=True)
    guest = theirs.wrap_bio(b, a, server_hostname=name)
    try:
        for side in (guest, host, guest, host, guest):
            with contextlib.suppress(ssl.SSLWantReadError):
                side.do_handshake()
    except ssl.SSLCertVerificationError as error:
        return error.verify_message
    return ""


def test_names_of_this_computer_hold_its_private_addresses_only():
    names = own_names(["condmon.pier.example"])
    assert "condmon.pier.example" == names[0]
    assert {"localhost", "127.0.0.1"} <= set(names)
    assert len(set(names)) == len(names)


# command and configuration


def test_the_command_shows_renews_and_makes_only_when_sure(box, capsys):
    house, plain = box
    config = ["-c", str(house.config_path)]
    assert 0 == main(["certificate", *config, "--json", "show"])
    first = json.loads(capsys.readouterr().out)
    assert first["install_from"].endswith(plain.rpartition(":")[2] + "/")
    assert "condmon.pier.example" in first["names"]
    assert first["days_left"] > 190
    page = authority.places(house.config.store.path).page
    before = page.read_bytes()
    assert 0 == main(["certificate", *config, "renew"])
    assert first["fingerprint"] in capsys.readouterr().out
    assert before != page.read_bytes()
    assert 2 == main(["certificate", *config, "make"])
    assert "--sure" in capsys.readouterr().err


def test_without_own_certificate_the_command_says_what_to_write(house, capsys):
    assert 2 == main(["certificate", "-c", str(house.config_path), "show"])
    assert "own_certificate = true" in capsys.readouterr().err


@pytest.mark.parametrize(("lines", "words"), [
    ("install_port = 8471", "own_certificate"),
    ('own_certificate = true\ncert_file = "a.pem"\nkey_file = "a.key"', "leave out one"),
    ("own_certificate = true\ninstall_port = 8470", "take another"),
    ('address = "https://box"', "own_certificate = true"),
])  # fmt: skip
def test_what_does_not_go_together_is_told(tmp_path, lines, words):
    (tmp_path / "a.pem").write_text("x")
    (tmp_path / "a.key").write_text("x")
    (tmp_path / "a.key").chmod(0o600)
    text = '[site]\nname = "Pier"\ntimezone = "UTC"\n[[machine]]\nid = "m"\n[web]\n' + lines
    (tmp_path / "condmon.toml").write_text(text)
    with pytest.raises(ConfigError, match=re.escape(words)):
        load(tmp_path / "condmon.toml")


def test_the_port_for_installing_follows_the_page_s_own_and_can_be_none(tmp_path):
    text = '[site]\nname = "Pier"\ntimezone = "UTC"\n[[machine]]\nid = "m"\n[web]\nport = 9000\n'
    for more, port in (("", 9001), ("install_port = 0\n", 0)):
        (tmp_path / "condmon.toml").write_text(f"{text}own_certificate = true\n{more}")
        assert port == load(tmp_path / "condmon.toml").web.install_port
