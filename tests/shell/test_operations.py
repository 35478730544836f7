"""What befalls a box in a cabinet, with real parts: a full disk, a second daemon, a new file."""

import os
import signal
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from condmon.engine.records import Samples
from condmon.store.journal import Reader
from tests.daemons import HEAD, MILL, Daemon
from tests.disks import mounted
from tests.receivers import web
from tests.shell.test_watch import publish
from tests.waiting import until

__all__ = ["web"]
pytestmark = [pytest.mark.broker, pytest.mark.slow]
GATE = '[[send.webhook]]\nname = "gate"\nurl = "{url}"\n'


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own with 16 MB; needs root, as a container has."""
    folder = tmp_path / "disk"
    folder.mkdir()
    yield from mounted(folder, 16)


@pytest.fixture
def on_small_disk(tmp_path: Path, small_disk: Path, mosquitto, web) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path / "d", mosquitto.url, MILL + GATE.format(url=web.url))
    store = small_disk / "store"
    text = daemon.config.read_text().replace('path = "store"', f'path = "{store}"')
    daemon.config.write_text(text)
    daemon.store = store
    yield daemon
    if daemon.process is not None and daemon.process.poll() is None:
        daemon.kill()


def recorded(daemon: Daemon) -> list[float]:
    """The bearing's values in the recording."""
    from condmon.config import load
    from condmon.store.recorder import Recorder

    signals = load(daemon.config).settings.signals
    index = next(s.index for s in signals if s.name == "bearing")
    with closing(Recorder(daemon.store, signals, lambda: time.time_ns() // 1000)) as recorder:
        return [
            value
            for _, batch in recorder.read(0)
            for record in batch
            if isinstance(record, Samples)
            for value in record.value[record.signal == index].tolist()
        ]


def fill(folder: Path) -> Path:
    """Take the last byte."""
    filler = folder / "filler"
    with filler.open("wb", buffering=0) as file:
        for size in (1 << 16, 4096, 1):
            try:
                while True:
                    file.write(b"x" * size)
            except OSError:
                pass
    return filler


def test_with_a_full_disk_it_goes_on_judging_tells_people_and_writes_all_when_there_is_room(
    on_small_disk, small_disk, mosquitto, web
):
    daemon = on_small_disk.start()
    daemon.until_logged("connected to the broker")
    publish(mosquitto.port, 40.0)
    until(lambda: (daemon.store / "journal.db").exists(), 10)
    filler = fill(small_disk)
    until(lambda: publish(mosquitto.port, 40.25) and "the disk takes nothing" in daemon.log(), 30)
    until(lambda: publish(mosquitto.port, 60.5) and web.requests, 60, "told without a journal")
    assert "pier/mill-1" not in web.requests[0].event["id"]
    keys = [request.event["id"] for request in web.requests]
    filler.unlink()
    daemon.until_logged("the disk takes records again", 30)
    with Reader(daemon.store) as reader:
        until(lambda: any(a.machine == "mill-1" for a in reader.alerts()), 30, "the journal has it")
        until(lambda: reader.deliveries("sent"), 30)
    assert 0 == daemon.stop()
    assert {40.0, 40.25, 60.5} <= set(recorded(daemon))
    again = [request.event["id"] for request in web.requests if request.event["id"] in keys]
    assert len(set(again)) == len(again)
    assert "Traceback" not in daemon.errors()


def test_a_disk_that_can_only_be_read_is_told_at_the_start_in_words(on_small_disk, small_disk):
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    daemon = on_small_disk.start()
    assert daemon.process is not None
    assert 1 == daemon.process.wait(20)
    assert "Read-only file system" in daemon.errors()
    assert "Traceback" not in daemon.errors()


def test_two_daemons_with_one_name_notice_it_say_so_and_give_way(tmp_path, mosquitto, web):
    more = '[adjust.condmon-link]\nhold = "5 s"\n' + GATE.format(url=web.url) + MILL
    both = [Daemon(tmp_path / name, mosquitto.url, more).start() for name in ("one", "two")]
    until(lambda: any("uses our name" in d.log() for d in both), 60, "one of them noticed")
    before = [connections(d) for d in both]
    end_s = time.monotonic() + 5  # what is asked is how often it happens in a span of time
    until(lambda: time.monotonic() > end_s, 9)
    more = sum(connections(d) for d in both) - sum(before)
    assert more <= 2, "they throw each other out again and again"
    assert sum(before) <= 12
    until(lambda: web.requests, 30, "one is out for good and tells a person")
    for daemon in both:
        assert 0 == daemon.stop()
        assert "Traceback" not in daemon.errors()
        with Reader(daemon.store) as reader:
            assert len([a for a in reader.alerts() if a.check == "condmon-link"]) <= 1
    assert len(web.requests) <= len(both), "once each, however often they threw each other out"


def connections(daemon: Daemon) -> int:
    return daemon.log().count("connected to the broker")


def test_a_new_configuration_is_taken_on_hangup_and_a_wrong_one_is_told_and_left(
    tmp_path, mosquitto
):
    daemon = Daemon(tmp_path, mosquitto.url).start()
    daemon.until_logged("connected to the broker")
    assert daemon.process is not None
    daemon.config.write_text(HEAD.format(url=mosquitto.url) + MILL.replace("hold", "hodl"))
    os.kill(daemon.process.pid, signal.SIGHUP)
    daemon.until_logged("the changed configuration cannot be used")
    assert "hodl" in daemon.log()
    assert 1 == daemon.log().count('"event": "started"') + daemon.log().count('"event":"started"')
    changed = HEAD.format(url=mosquitto.url) + MILL.replace("bearing > 50", "bearing > 70")
    daemon.config.write_text(changed)
    os.kill(daemon.process.pid, signal.SIGHUP)
    until(lambda: daemon.log().count("connected to the broker") == 2, 30, "it started anew")
    until(lambda: publish(mosquitto.port, 60.0) and publish(mosquitto.port, 80.0)
          and _alerts(daemon), 20)  # fmt: skip
    assert [True] == ["80" in what for what in _alerts(daemon)]
    assert 0 == daemon.stop()
    assert "Traceback" not in daemon.errors()


def _alerts(daemon: Daemon) -> list[str]:
    with Reader(daemon.store) as reader:
        return [a.what for a in reader.alerts() if a.machine == "mill-1"]
