"""Each figure of condmon's own health in a living daemon: silent while well, told while bad, over.

Real parts are put out of order all at once and put right again; where each is told is asked one by
one. What hangs is in test_life, threads that end are in test_daemon, the log in test_daily_look,
the link that flaps and the disk that takes nothing in test_box_troubles.
"""

import os
import shutil
import sys
import threading
import time
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import paho.mqtt.client as paho
import pytest

from condmon.clock import Clock
from condmon.config import load
from condmon.daemon.service import Service
from condmon.engine.health import HEALTH, PARTS, hangs
from condmon.influx.mirror import PASSING, PERSON
from condmon.senders import make
from condmon.store.journal import Reader
from tests.brokers import Mosquitto, free_port
from tests.daemons import HEAD, MILL
from tests.disks import small_disk
from tests.receivers import Answer, Web
from tests.shell.test_mqtt_secrets import openssl, papers
from tests.shops import TOPIC, payload
from tests.tsserver import Answer as Refusal
from tests.tsserver import Scripted, fine
from tests.waiting import until

__all__ = ["papers", "small_disk"]
pytestmark = [pytest.mark.broker, pytest.mark.slow]
FIGURES = (
    "disk_free_share", "clock_off_s", "outbox_age_s", "stream_silent_s", "store_behind_s",
    "certificate_days", "mirror_away_s", "clock_unset_s",
)  # fmt: skip
LIMITS = """
[adjust.condmon-health]
hold = "1 s"
release = "1 s"
stream_silent_s = 3
outbox_age_s = 3
store_behind_s = 2
mirror_away_s = 2
clock_unset_s = 1
[[send.webhook]]
name = "gate"
url = "{url}"
[influx]
url = "{influx}"
[web]
listen = "127.0.0.1"
port = {port}
cert_file = "{folder}/page.crt"
key_file = "{folder}/page.key"
"""
QUICK = {  # a minute in life
    "condmon.daemon.ownhealth.EVERY_S": 0.5,
    "condmon.delivery.lane.WAIT_MIN_S": 0.2,
    "condmon.delivery.lane.WAIT_MAX_S": 0.5,
}  # fmt: skip
QUICK_MIRROR = {
    "HEALTH_EVERY_S": 0.5,
    "LIVE_S": 0.2,
    "PAUSES_S": {PASSING: (0.1, 0.2), PERSON: (0.1, 0.2)},
}
BEHIND_US, HOUR_NS = 3_000_000, 3600 * 10**9


def test_every_figure_is_lived_through_somewhere():
    elsewhere = {"log_faults", "link_drops", "unwritten", *map(hangs, PARTS)}
    assert set(HEALTH) == {*FIGURES, *elsewhere}


class Told(NamedTuple):
    """Figures with an open alert at three times."""

    well: set[str]
    bad: set[str]
    well_again: set[str]


class Box:
    """A daemon on real parts that can be put out of order, and right again."""

    def __init__(self, folder: Path, disk: Path, papers: Path, patch: pytest.MonkeyPatch) -> None:
        self._folder, self._disk, self._papers = folder, disk, papers
        self._off_ns = self._behind_us = 0
        self.broker = Mosquitto(folder / "broker").start()
        self.web, self.influx = Web(), Scripted().open()
        self._certificate("good")
        self._time_server("yes", patch)
        text = HEAD.format(url=self.broker.url).replace('"store"', f'"{disk}/store"')
        text += LIMITS.format(
            url=self.web.url, influx=self.influx.url, port=free_port(), folder=folder
        )
        (folder / "condmon.toml").write_text(text + MILL)
        config = load(folder / "condmon.toml")
        clock = Clock(wall_ns=lambda: time.time_ns() + self._off_ns)
        self.service = Service(config, clock, make(config))
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.service.run, args=(self._stop,))
        self._sender = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self._sender.connect("127.0.0.1", self.broker.port)
        self._sender.loop_start()
        self._looked_s = 0.0

    def start(self) -> None:
        self._thread.start()
        until(lambda: self.service.mqtt.up, 20, "it listens")
        pace = self.service._pace
        beacon_us = pace.beacon_us

        def late(records, messages, last_us):
            at_us = beacon_us(records, messages, last_us)
            return at_us and max(at_us - self._behind_us, last_us)

        pace.beacon_us = late  # type: ignore[method-assign]

    def spoil(self) -> None:
        """Everything but the watch itself; the last that is heard is something to tell."""
        self.web.otherwise = lambda _: Answer(503)
        for _ in range(25):
            self._publish(60.0)
            self._stop.wait(0.1)
        self._off_ns, self._behind_us = -HOUR_NS, BEHIND_US
        self.influx.how = lambda _: Refusal(503)
        self._certificate("soon")
        (self._folder / "answer").write_text("no\n")
        usage = shutil.disk_usage(self._disk)
        with (self._disk / "filler").open("wb") as file:
            file.write(b"x" * (usage.free - usage.total // 30))

    def mend(self) -> None:
        self._off_ns = self._behind_us = 0
        self.web.otherwise, self.influx.how = lambda _: Answer(), fine
        self._certificate("good")
        (self._folder / "answer").write_text("yes\n")
        (self._disk / "filler").unlink()

    def until(self, wanted: set[str], *, seconds: float, publish: bool) -> set[str]:
        """Live until these are open, or the time is over; which are."""
        end_s = time.monotonic() + seconds
        while (found := self.open()) != wanted and time.monotonic() < end_s:
            self._live(publish=publish)
        return found

    def live(self, seconds: float) -> set[str]:
        """Live on, well; what was open at any time."""
        end_s, found = time.monotonic() + seconds, set()
        while time.monotonic() < end_s:
            self._live(publish=True)
            found |= self.open()
        return found

    def open(self) -> set[str]:
        with Reader(self.service.journal.path.parent) as reader:
            alerts = reader.alerts(open_only=True)
        return {a.signals[0] for a in alerts if a.check == "condmon-health" and not a.ended_us}

    def _live(self, *, publish: bool) -> None:
        if publish:
            self._publish(40.0)
        if time.monotonic() - self._looked_s > 0.7:
            self._looked_s = time.monotonic()
            self.service._jobs._scheduler.modify_job("time server", next_run_time=datetime.now(UTC))
        self._stop.wait(0.1)

    def _publish(self, value: float) -> None:
        sent = self._sender.publish(TOPIC, payload(time.time_ns() // 1000, value, 1), qos=1)
        sent.wait_for_publish(5)

    def _certificate(self, name: str) -> None:
        shutil.copy(self._papers / f"{name}.crt", self._folder / "page.crt")
        shutil.copy(self._papers / "broker.key", self._folder / "page.key")
        (self._folder / "page.key").chmod(0o600)

    def _time_server(self, answer: str, patch: pytest.MonkeyPatch) -> None:
        (self._folder / "answer").write_text(answer + "\n")
        command = self._folder / "timedatectl"
        command.write_text(f"#!/bin/sh\ncat {self._folder}/answer\n")
        command.chmod(0o700)
        patch.setenv("PATH", f"{self._folder}:{os.environ['PATH']}")

    def close(self) -> None:
        self._stop.set()
        self._thread.join(20)
        self._sender.loop_stop()
        self.influx.close()
        self.web.close()
        self.broker.stop()


@pytest.fixture(scope="module")
def told(tmp_path_factory, papers, small_disk) -> Told:
    folder = tmp_path_factory.mktemp("box")
    end = time.strftime("%Y%m%d%H%M%SZ", time.gmtime(time.time() + 5 * 86_400))
    openssl("ca", "-batch", "-config", "good.cnf", "-cert", "ca.crt", "-keyfile", "ca.key", "-in",
            "broker.csr", "-out", "soon.crt", "-startdate", "20250101000000Z", "-enddate", end,
            "-notext", cwd=papers)  # fmt: skip
    with pytest.MonkeyPatch.context() as patch:
        for name, value in QUICK.items():
            patch.setattr(name, value)
        for name, value in QUICK_MIRROR.items():
            patch.setattr(sys.modules["condmon.influx.mirror"], name, value)
        with closing(Box(folder, small_disk, papers, patch)) as box:
            box.start()
            well = box.live(5)
            box.spoil()
            bad = box.until(set(FIGURES), seconds=30, publish=False)
            box.mend()
            return Told(well, bad, box.until(set(), seconds=30, publish=True))


@pytest.mark.parametrize("figure", FIGURES)
def test_figure_is_told_while_it_is_bad_and_silent_while_it_is_well(told, figure):
    assert figure not in told.well
    assert figure in told.bad
    assert figure not in told.well_again
