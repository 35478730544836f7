"""A visit outlives kill -9: alerts stay quiet until it ends, and then speak."""

import json
import time

import paho.mqtt.publish as publish
import pytest

from condmon.cli import main
from condmon.store.journal import Reader
from tests.brokers import Mosquitto
from tests.daemons import Daemon
from tests.waiting import until


def say(daemon: Daemon, *words: str) -> None:
    assert 0 == main(["service", "-c", str(daemon.config), *words])


def alerts(daemon: Daemon) -> list:
    with Reader(daemon.store) as reader:
        return [a for a in reader.alerts() if a.check == "bearing-over-limit"]


def hot(port: int) -> None:
    payload = json.dumps({"v": 60.0, "n": 1, "t": time.time()})
    publish.single("pier/mill-1/bearing", payload, 1, hostname="127.0.0.1", port=port)


@pytest.mark.broker
def test_a_visit_outlives_a_kill_and_what_it_kept_quiet_is_told_at_its_end(tmp_path, capsys):
    broker = Mosquitto(tmp_path / "broker").start()
    daemon = Daemon(tmp_path / "shop", broker.url).start()
    try:
        daemon.until_logged("connected to the broker")
        say(daemon, "plan", "mill-1", "May visit", "--key", "may")
        say(daemon, "begin", "may", "--who", "Kim")
        daemon.kill()
        daemon.start()
        daemon.until_locked()
        until(lambda: daemon.log().count("connected to the broker") == 2, 20, "it is back")

        def raised() -> bool:
            hot(broker.port)
            return bool(alerts(daemon))

        until(raised, 30, "the bearing is hot")
        assert ["suppressed"] == [a.state for a in alerts(daemon)]
        say(daemon, "end", "may")
        assert "visit May visit is over" in capsys.readouterr().out
        assert ["active_unacknowledged"] == [a.state for a in alerts(daemon)]
        assert 0 == daemon.stop()
        assert "Traceback" not in daemon.errors()
    finally:
        if daemon.process is not None and daemon.process.poll() is None:
            daemon.kill()
        broker.stop()
