"""The mirror in a real daemon: into a real server, over kills, beside one that hangs."""

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from condmon.store.journal import Reader
from tests.brokers import Mosquitto
from tests.daemons import Daemon
from tests.shops import publish
from tests.tsserver import Answer, Scripted, Victoria
from tests.waiting import until

pytestmark = [pytest.mark.broker, pytest.mark.slow]
STEP_US = 3000
CONNECTED = "connected to the broker"


@pytest.fixture
def victoria(tmp_path: Path) -> Iterator[Victoria]:
    server = Victoria(tmp_path)
    server.start()
    yield server
    server.stop()


@pytest.fixture
def far() -> Iterator[Scripted]:
    server = Scripted().open()
    yield server
    server.close()


@pytest.fixture
def daemon(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Daemon]:
    made = Daemon(tmp_path / "house", mosquitto.url)
    yield made
    if made.process is not None and made.process.poll() is None:
        made.kill()


def mirrored(daemon: Daemon, url: str, timeout: str = "2 s") -> Daemon:
    """Start it with this server."""
    text = daemon.config.read_text().split("[influx]")[0]
    daemon.config.write_text(f'{text}[influx]\nurl = "{url}"\ntimeout = "{timeout}"\n')
    before = daemon.log().count(CONNECTED) if (daemon.folder / "log.jsonl").exists() else 0
    daemon.start()
    until(lambda: daemon.log().count(CONNECTED) > before, 20, "the daemon listens")
    return daemon


def send(mosquitto: Mosquitto, first: int, count: int, value: float = 40.0) -> list[int]:
    """Numbered messages with own times that end now; the times."""
    start_us = time.time_ns() // 1000 - count * STEP_US
    times = [start_us + n * STEP_US for n in range(count)]
    publish(mosquitto, [json.dumps({"v": value, "n": first + n, "t": at_us / 1e6}).encode()
                        for n, at_us in enumerate(times)])  # fmt: skip
    return times


def test_values_times_tags_and_events_stand_in_a_real_server(victoria, mosquitto, daemon):
    mirrored(daemon, victoria.url)
    times = send(mosquitto, 0, 500)

    def numbers() -> list[dict]:
        found = victoria.series("condmon_value")
        return [series for series in found if series["metric"]["signal"] == "number"]

    until(lambda: sum(len(s["values"]) for s in numbers()) >= 500, 30, "all samples are there")
    [series] = numbers()
    pairs = sorted(zip(series["timestamps"], series["values"], strict=True))
    assert [float(n) for n in range(500)] == [value for _, value in pairs]
    assert all(abs(ms - at_us / 1000) <= 1 for (ms, _), at_us in zip(pairs, times, strict=True))
    assert "North Pier Optics" == series["metric"]["site"]
    assert "mill-1" == series["metric"]["machine"]
    events = victoria.series("condmon_event_count")
    assert {"start", "link"} <= {series["metric"]["kind"] for series in events}
    assert 0 == daemon.stop()


def test_real_server_that_restarts_gets_what_came_meanwhile(victoria, mosquitto, daemon):
    mirrored(daemon, victoria.url)
    send(mosquitto, 0, 100)

    def count() -> int:
        found = victoria.series("condmon_value")
        return sum(len(s["values"]) for s in found if s["metric"]["signal"] == "number")

    until(lambda: count() == 100, 30, "the first are there")
    victoria.stop()
    send(mosquitto, 100, 100)
    daemon.until_logged("takes nothing")
    victoria.start()
    until(lambda: count() == 200, 60, "the others too, once")


def test_kill_again_and_again_while_the_server_comes_and_goes_loses_nothing(far, mosquitto, daemon):
    flap = iter([204, 503, 204, 429, 204, 204, 500] * 1000)
    far.how = lambda _: Answer(next(flap))
    for turn in range(3):
        mirrored(daemon, far.url)
        wanted = len(far.writes) + turn
        send(mosquitto, turn * 200, 200)
        until(lambda wanted=wanted: len(far.writes) > wanted, 30, "it is handing over")
        daemon.kill()
    mirrored(daemon, far.url)

    def lines() -> list[bytes]:
        return [line for line in list(far.taken) if b"signal=number," in line]

    until(lambda: len(set(lines())) >= 600, 60, "all are there")
    values = sorted(point.fields["value"] for point in far.points()
                    if point.tags.get("signal") == "number"
                    and point.measurement == "condmon")  # fmt: skip
    assert [float(n) for n in range(600)] == sorted(set(values))
    assert 600 == len(set(lines())), "what came twice is the same line, to the byte"


def test_hanging_server_delays_no_alert_and_no_stop(far, mosquitto, daemon):
    far.how = lambda _: Answer(hang=True)
    mirrored(daemon, far.url, "60 s")
    until(lambda: far.writes, 20, "a request hangs")
    began_s = time.monotonic()

    def hot() -> bool:
        with Reader(daemon.store) as reader:
            return any(alert.machine == "mill-1" for alert in reader.alerts())

    def warmer() -> bool:
        send(mosquitto, 0, 100, 60.0)
        return hot()

    until(warmer, 30, "the alert is there")
    assert 0 == daemon.stop()
    assert time.monotonic() - began_s < 45, "nobody waited until the request was given up"
    assert 1 == len(far.writes)
    assert "Traceback" not in daemon.errors()


def test_daemon_without_such_a_server_does_not_load_the_client():
    code = "import condmon.daemon.service, sys; sys.exit('influxdb_client' in sys.modules)"
    assert 0 == subprocess.run([sys.executable, "-c", code], check=False).returncode
