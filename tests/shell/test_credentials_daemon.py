"""Case O10 through the daemon: certificates that end, have ended or not begun, and passwords."""

import shutil
import subprocess
import threading
import time
from contextlib import closing

import pytest

from condmon.clock import Clock
from condmon.config import load
from condmon.daemon.service import Service
from condmon.engine.outputs import Alert
from condmon.store.journal import Reader
from tests.brokers import QUEUES, Mosquitto
from tests.daemons import HEAD, MILL
from tests.inside import Inside
from tests.shell.test_mqtt_secrets import openssl, papers
from tests.waiting import until

__all__ = ["papers"]
pytestmark = [pytest.mark.broker, pytest.mark.slow]
QUICK = '[adjust.condmon-health]\nhold = "1 s"\nrelease = "1 s"\n'


@pytest.fixture
def broker(tmp_path, papers):
    """A broker by TLS whose certificate ends in five days."""
    end = time.strftime("%Y%m%d%H%M%SZ", time.gmtime(time.time() + 5 * 86_400))
    openssl("ca", "-batch", "-config", "good.cnf", "-cert", "ca.crt", "-keyfile", "ca.key", "-in",
            "broker.csr", "-out", "soon.crt", "-startdate", "20250101000000Z", "-enddate", end,
            "-notext", cwd=papers)  # fmt: skip
    shutil.copy(papers / "soon.crt", tmp_path / "broker.crt")
    listener = f"certfile {tmp_path}/broker.crt\nkeyfile {papers}/broker.key"
    made = Mosquitto(tmp_path / "broker", listener=listener).start()
    yield made
    made.stop()


@pytest.fixture
def daemon(tmp_path, broker, papers, monkeypatch):
    """The daemon in a thread, with a look at itself twice a second."""
    monkeypatch.setattr("condmon.daemon.ownhealth.EVERY_S", 0.5)
    monkeypatch.setattr("condmon.mqtt.linkwords.SLOW_MIN_S", 0.5)  # a minute in life
    head = HEAD.format(url=broker.url.replace("mqtt:", "mqtts:"))
    head = head.replace("[broker]", 'lateness = "0 s"\n[broker]')
    head = head.replace("[store]", f'ca_file = "{papers}/ca.crt"\n[store]')
    (tmp_path / "condmon.toml").write_text(head + QUICK + MILL)
    service = Service(load(tmp_path / "condmon.toml"), Clock())
    stop = threading.Event()
    thread = threading.Thread(target=service.run, args=(stop,))
    thread.start()
    yield service
    stop.set()
    thread.join(20)


def own_alerts(service: Service) -> list[Alert]:
    with Reader(service.journal.path.parent) as reader:
        return [alert for alert in reader.alerts() if alert.machine == "condmon"]


def told_of_the_link(service: Service) -> list[str]:
    with Reader(service.journal.path.parent) as reader:
        return [entry.text for entry in reader.entries(100) if entry.kind == "link"]


@pytest.mark.filterwarnings(  # the library leaves a socket whose handshake failed to the collector
    "ignore::pytest.PytestUnraisableExceptionWarning"
)
def test_a_certificate_that_ends_is_told_before_in_words_after_and_a_new_one_is_taken_up(
    tmp_path, daemon, broker, papers
):
    until(lambda: daemon.mqtt.up, 20, "connected by TLS")
    until(lambda: own_alerts(daemon), 20, "it is told before")
    [alert] = own_alerts(daemon)
    assert "certificate" in alert.title
    assert "ends in 5 days" in alert.what

    shutil.copy(papers / "expired.crt", tmp_path / "broker.crt")
    broker.restart()
    until(lambda: "certificate has expired" in daemon.mqtt.reason, 30, "told in words")
    until(lambda: any("has expired" in text for text in told_of_the_link(daemon)), 10)

    shutil.copy(papers / "good.crt", tmp_path / "broker.crt")
    broker.restart()
    until(lambda: daemon.mqtt.up, 30, "the new certificate is taken up")
    until(lambda: own_alerts(daemon)[0].ended_us is not None, 20, "no certificate is ending")
    assert 1 == len(own_alerts(daemon))


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_a_certificate_whose_time_has_not_come_is_told_in_words_and_taken_when_it_has(
    tmp_path, daemon, broker, papers
):
    """As it looks to a box whose clock stands at 1970 until somebody sets it."""
    until(lambda: daemon.mqtt.up, 20, "connected by TLS")
    begin = time.strftime("%Y%m%d%H%M%SZ", time.gmtime(time.time() + 6))
    openssl("ca", "-batch", "-config", "good.cnf", "-cert", "ca.crt", "-keyfile", "ca.key", "-in",
            "broker.csr", "-out", "later.crt", "-startdate", begin, "-enddate", "20990101000000Z",
            "-notext", cwd=papers)  # fmt: skip
    shutil.copy(papers / "later.crt", tmp_path / "broker.crt")
    broker.restart()
    until(lambda: "not yet valid; the system clock may be wrong" in daemon.mqtt.reason, 10)
    until(lambda: daemon.mqtt.up, 30, "its time has come")


def test_a_password_that_was_changed_is_told_tried_slowly_and_the_new_one_is_taken_from_the_file(
    tmp_path, monkeypatch
):
    words, secret = tmp_path / "passwords", tmp_path / "secret"
    words.touch(mode=0o600)

    def set_at_the_broker(password: str) -> None:
        subprocess.run(["mosquitto_passwd", "-b", str(words), "condmon", password],
                       check=True, capture_output=True)  # fmt: skip

    set_at_the_broker("old")
    secret.write_text("old\n")
    secret.chmod(0o600)
    text = QUEUES.replace("allow_anonymous true", f"allow_anonymous false\npassword_file {words}")
    broker = Mosquitto(tmp_path / "broker", text).start()
    monkeypatch.setattr("condmon.mqtt.linkwords.SLOW_MIN_S", 2.0)
    login = f'username = "condmon"\npassword_file = "{secret}"\n[store]'
    head = lambda given: given.replace("[store]", login)  # noqa: E731
    try:
        with closing(Inside(tmp_path / "d", broker.url, "", monkeypatch, head=head)) as box:
            box.until_up()
            set_at_the_broker("new")
            broker.restart()
            until(lambda: "refused our user or password" in box.service.mqtt.reason, 10)
            until(lambda: broker.said("not authorised"), 10, "the broker refused it")
            tried = broker.said("not authorised")
            box.live(3)
            assert broker.said("not authorised") - tried <= 3, "it does not hammer"
            secret.write_text("new\n")
            box.until_up()
            assert [text for text in box.texts("link") if "refused our user or password" in text]
            assert not [text for text in box.texts("link") if "old" in text or "new\n" in text]
    finally:
        broker.stop()
