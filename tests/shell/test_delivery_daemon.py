"""The whole daemon killed in the middle of an alert, its broker with it: word gets out anyway."""

import json
import time

import paho.mqtt.client as paho
import pytest

from tests.daemons import MILL, Daemon
from tests.receivers import web
from tests.shell.test_topic import TOPIC, Lamp
from tests.waiting import until

__all__ = ["web"]
pytestmark = [pytest.mark.broker, pytest.mark.slow]
WAYS = """
[plan.now]
tell_end = true
[[send.webhook]]
name = "gate"
url = "{url}"
[send.topic]
topic = "{topic}"
"""


class Sensor:
    """Sends the bearing's temperature until told otherwise, over restarts of the broker."""

    def __init__(self, port: int) -> None:
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2, "sensor", clean_session=False)
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def send(self, value: float) -> None:
        body = json.dumps({"v": value, "n": 1, "t": time.time()})
        self._client.publish("pier/mill-1/bearing", body, qos=1)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def told(receiver) -> dict[str, str]:
    """Key of each message that was taken -> how it was told."""
    return {r.event_id: r.event["data"]["telling"] for r in receiver.requests}


def test_alert_that_ends_while_condmon_is_dead_is_told_as_over_and_its_lamp_goes_out(
    tmp_path, mosquitto, web
):
    daemon = Daemon(
        tmp_path / "daemon", mosquitto.url, MILL + WAYS.format(url=web.url, topic=TOPIC)
    )
    daemon.start()
    daemon.until_logged("connected to the broker")
    sensor, lamp = Sensor(mosquitto.port), Lamp(mosquitto.port)
    try:
        until(lambda: sensor.send(60.0) or (lamp.shining and web.taken), 30, "word is out")
        daemon.kill()
        mosquitto.restart()
        before = time.monotonic()
        until(lambda: sensor.send(40.0) or time.monotonic() - before > 5, 10, "it has cooled down")
        assert lamp.shining  # the broker keeps it
        daemon.start()
        until(lambda: sensor.send(40.0) or "ended" in told(web).values(), 40, "its end is told")
        until(lambda: not lamp.shining, 20, "the lamp is out")
        # the same key may have come twice: the kill may fall between its being taken and marked
        assert ["raised", "ended"] == [one for one in told(web).values() if one != "digest"]
        assert 1 == len(set(lamp.ends))
        until(lambda: '"trouble":""' in (daemon.store / "alert-topic.json").read_text(), 10)
    finally:
        sensor.close()
        lamp.close()
        assert 0 == daemon.stop()
    assert "Traceback" not in daemon.errors()
