"""Passwords and certificates on the way to the broker: judged in words, read again each time."""

import subprocess
from pathlib import Path

import pytest

from tests.brokers import QUEUES, Mosquitto
from tests.listeners import TOPIC, Heard, broker_of, logged
from tests.waiting import until

pytestmark = pytest.mark.broker


def test_wrong_password_is_told_in_words_and_a_new_one_is_read_from_the_file(tmp_path):
    words = tmp_path / "passwords"
    words.touch(mode=0o600)
    subprocess.run(["mosquitto_passwd", "-b", str(words), "condmon", "right"], check=True,
                   capture_output=True)  # fmt: skip
    text = QUEUES.replace("allow_anonymous true", f"allow_anonymous false\npassword_file {words}")
    mosquitto = Mosquitto(tmp_path / "broker", text).start()
    secret = tmp_path / "secret"
    secret.write_text("wrong\n")
    broker = broker_of(mosquitto, username="condmon", password_file=secret)
    try:
        with logged() as lines, Heard(broker) as heard:
            heard.until_down("refused our user or password")
            until(lambda: len(lines) >= 1, 5)
            assert 30 <= float(str(lines[0]["next_try_s"]))
            assert "wrong" not in str(lines)
        secret.write_text("right\n")
        with Heard(broker) as heard:
            heard.until_up()
        secret.unlink()
        with Heard(broker) as heard:
            heard.until_down(f"cannot read {secret}")
    finally:
        mosquitto.stop()


def openssl(*words: str, cwd: Path) -> None:
    subprocess.run(["openssl", *words], cwd=cwd, check=True, capture_output=True)


@pytest.fixture(scope="module")
def papers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An authority, and certificates: good, expired, of tomorrow, for another host."""
    folder = tmp_path_factory.mktemp("papers")
    openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "ca.key", "-out", "ca.crt",
            "-subj", "/CN=pier authority", "-days", "30", cwd=folder)  # fmt: skip
    openssl("req", "-newkey", "rsa:2048", "-nodes", "-keyout", "broker.key", "-out", "broker.csr",
            "-subj", "/CN=broker", cwd=folder)  # fmt: skip
    (folder / "index.txt").touch()
    (folder / "serial").write_text("01\n")
    spans = {"good": ("20250101000000Z", "20990101000000Z"),
             "expired": ("20200101000000Z", "20200201000000Z"),
             "tomorrow": ("20980101000000Z", "20990101000000Z"),
             "other": ("20250101000000Z", "20990101000000Z")}  # fmt: skip
    for name, (start, end) in spans.items():
        host = "DNS:elsewhere.example" if name == "other" else "IP:127.0.0.1"
        (folder / f"{name}.cnf").write_text(
            "[ca]\ndefault_ca = a\n[a]\ndatabase = index.txt\nserial = serial\n"
            "new_certs_dir = .\ndefault_md = sha256\npolicy = p\nunique_subject = no\n"
            f"x509_extensions = x\n[p]\ncommonName = supplied\n[x]\nsubjectAltName = {host}\n"
        )
        openssl("ca", "-batch", "-config", f"{name}.cnf", "-cert", "ca.crt", "-keyfile", "ca.key",
                "-in", "broker.csr", "-out", f"{name}.crt", "-startdate", start, "-enddate", end,
                "-notext", cwd=folder)  # fmt: skip
    return folder


@pytest.mark.filterwarnings(  # the library leaves a socket whose handshake failed to the collector
    "ignore::pytest.PytestUnraisableExceptionWarning"
)
@pytest.mark.parametrize(("paper", "words"), [
    ("good", ""),
    ("expired", "certificate has expired"),
    ("tomorrow", "not yet valid; the system clock may be wrong"),
    ("other", "for another host name than '127.0.0.1'"),
    ("stranger", "not signed by anyone known here"),
])  # fmt: skip
def test_tls_certificates_are_judged_in_words(tmp_path, papers, paper, words):
    used = "good" if paper == "stranger" else paper
    listener = f"certfile {papers}/{used}.crt\nkeyfile {papers}/broker.key"
    mosquitto = Mosquitto(tmp_path / "broker", listener=listener).start()
    ca = None if paper == "stranger" else papers / "ca.crt"
    try:
        with Heard(broker_of(mosquitto, tls=True, ca_file=ca)) as heard:
            if words:
                heard.until_down(words)
                return
            heard.until_up()
            publisher = subprocess.run(
                ["mosquitto_pub", "-p", str(mosquitto.port), "--cafile", str(papers / "ca.crt"),
                 "-h", "127.0.0.1", "-t", TOPIC, "-q", "1", "-m", "safe"], check=False)  # fmt: skip
            assert 0 == publisher.returncode
            heard.until_heard(1)
            heard.mqtt.acknowledge(heard.tickets)
            until(lambda: heard.mqtt.counts.acknowledged == 1, 5)
        assert [b"safe"] == heard.payloads()
    finally:
        mosquitto.stop()


def test_missing_or_useless_certificate_files_are_named(tmp_path, papers):
    mosquitto = Mosquitto(tmp_path / "broker")
    missing = tmp_path / "missing.crt"
    with Heard(broker_of(mosquitto, tls=True, ca_file=missing)) as heard:
        heard.until_down(str(missing))
    useless = tmp_path / "useless.crt"
    useless.write_text("no certificate")
    with Heard(broker_of(mosquitto, tls=True, ca_file=useless)) as heard:
        heard.until_down("the TLS files cannot be used")
