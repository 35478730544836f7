"""The whole way: a message at a real broker, an alert at a real web receiver and a real mailbox."""

import subprocess
import time
from collections.abc import Sequence

import pytest

from condmon.engine.records import SECOND_US
from condmon.store.journal import Reader
from tests.daemons import MILL, Daemon
from tests.receivers import mail, web
from tests.waiting import until

__all__ = ["mail", "web"]
pytestmark = pytest.mark.broker

WAYS = """
[[send.webhook]]
name = "gate"
url = "{url}"
[[send.email]]
name = "owner"
host = "127.0.0.1"
port = {port}
security = "none"
sender = "condmon@pier.example"
to = ["owner@pier.example"]
"""
TICK_S, LATENESS_S, HOLD_S = 1, 2, 1


def publish(port: int, value: float, words: Sequence[str] = ()) -> int:
    """One message by the broker's own tool; the second it was sent, in microseconds."""
    at_us = time.time_ns() // 1000
    payload = f'{{"v": {value}, "n": 1, "t": {at_us / 1e6}}}'
    subprocess.run(["mosquitto_pub", "-p", str(port), "-q", "1", "-t", "pier/mill-1/bearing",
                    "-m", payload, *words], check=True)  # fmt: skip
    return at_us


def settled(daemon: Daemon) -> bool:
    """Whether the daemon has caught up and judges the present second."""
    with Reader(daemon.store) as reader:
        return reader.offset() > 4


def test_alert_reaches_phone_and_mailbox_within_tick_lateness_and_a_second(
    tmp_path, mosquitto, web, mail
):
    ways = WAYS.format(url=web.url, port=mail.port)
    daemon = Daemon(tmp_path, mosquitto.url, MILL + ways).start()
    daemon.until_logged("connected to the broker")
    until(lambda: publish(mosquitto.port, 40.0) and settled(daemon), 10, "cool and recorded")
    first_us = publish(mosquitto.port, 60.0)
    until(lambda: publish(mosquitto.port, 60.0) and web.requests, 15, "the alert came")
    heard_us = time.time_ns() // 1000
    until(lambda: mail.mails, 5, "the mail came")
    with Reader(daemon.store) as reader:
        [alert] = [a for a in reader.alerts() if a.machine == "mill-1"]
    assert first_us // SECOND_US == alert.began_us // SECOND_US
    completes_us = alert.raised_us

    assert TICK_S + LATENESS_S + 1 >= (heard_us - completes_us) / SECOND_US
    event = web.requests[0].event
    assert "condmon.alert.raised" == event["type"]
    assert "mill-1/bearing-over-limit" == event["subject"]
    assert [alert.id] == [one["id"] for one in event["data"]["alerts"]]
    assert "Bearing hot" in mail.mails[0].parsed["Subject"]
    assert "condmon only watches" in mail.mails[0].text
    assert 0 == daemon.stop()
    assert 1 == len(web.requests) == len(mail.mails)
    assert "Traceback" not in daemon.errors()
