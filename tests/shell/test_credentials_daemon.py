"""Case O10 through the daemon: the broker's certificate about to end, ended, replaced in place."""

import shutil
import threading
import time

import pytest

from condmon.clock import Clock
from condmon.config import load
from condmon.daemon.service import Service
from condmon.engine.outputs import Alert
from condmon.store.journal import Reader
from tests.brokers import Mosquitto
from tests.daemons import HEAD, MILL
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
