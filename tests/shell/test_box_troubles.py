"""What befalls a box in a cabinet, beside test_operations: on a whole daemon with real parts."""

import os
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

import pytest

from condmon.cli import main
from condmon.engine.outputs import Alert
from condmon.store.journal import Reader
from tests.brokers import QUEUES, Mosquitto
from tests.daemons import MILL, Daemon
from tests.disks import card
from tests.inside import GATE, QUICK, Inside
from tests.receivers import web
from tests.shell.test_operations import recorded
from tests.shell.test_watch import publish
from tests.waiting import until

__all__ = ["card", "web"]
pytestmark = [pytest.mark.broker, pytest.mark.slow]
KEEPALIVE_S = 5.0  # of tests.daemons


@pytest.fixture
def started() -> Iterator[Callable[..., Daemon]]:
    """Starts a daemon, and ends it whatever comes."""
    found: list[Daemon] = []

    def start(daemon: Daemon, log: Path | None = None) -> Daemon:
        found.append(daemon.start(log))
        return daemon

    yield start
    for daemon in found:
        daemon.kill()


def titles(web) -> list[str]:
    return [request.event["data"]["title"] for request in web.requests]


def test_a_card_that_turns_read_only_is_told_from_memory_and_nothing_is_lost_over_its_exchange(
    tmp_path, card, mosquitto, web, monkeypatch
):
    """Such a card can be mounted anew only once nobody has files open there: condmon is stopped."""
    monkeypatch.setattr("condmon.delivery.directly.AFTER_S", 1.0)
    head = lambda text: text.replace('"store"', f'"{card.folder}/store"')  # noqa: E731
    given = (tmp_path / "d", mosquitto.url, QUICK + GATE.format(url=web.url), monkeypatch)
    with closing(Inside(*given, head=head)) as box:
        box.until_up()
        until(lambda: publish(mosquitto.port, 40.0) and box.service.recorder.last_offset() > 4, 10)
        assert [] == titles(web)
        card.fail()
        until(lambda: publish(mosquitto.port, 40.25) and box.service._spool.waiting, 20)
        until(lambda: publish(mosquitto.port, 60.5)
              and any("Bearing hot" in t for t in titles(web))
              and any("the disk takes nothing" in t for t in titles(web)), 30)  # fmt: skip
        said = [request.event["data"]["text"] for request in web.requests]
        assert [text for text in said if "samples and entries wait in memory" in text]
        box.live(2)
        assert 1 == len([t for t in titles(web) if "the disk takes nothing" in t])
    card.renew()
    with closing(Inside(*given, head=head)) as box:
        box.until_up()
        until(lambda: publish(mosquitto.port, 40.5) and 40.5 in recorded(box), 20)
        assert {40.0, 40.25, 60.5} <= set(recorded(box))


def test_a_link_that_flaps_is_one_alert_and_not_one_a_drop(tmp_path, mosquitto, web, monkeypatch):
    monkeypatch.setattr("condmon.mqtt.linkwords.PAUSE_MAX_S", 0.2)
    monkeypatch.setattr("condmon.daemon.ownhealth.DROPS_WITHIN_S", 6.0)
    more = QUICK + "link_drops = 2\n" + GATE.format(url=web.url)
    with closing(Inside(tmp_path / "d", mosquitto.url, more, monkeypatch)) as box:
        box.until_up()
        box.live(2)
        assert [] == box.alerts("link_drops")
        for _ in range(4):
            mosquitto.stop()
            until(lambda: "nobody listens" in box.service.mqtt.reason, 10, "the drop is noticed")
            mosquitto.start()
            box.until_up()
        until(lambda: any("unstable" in title for title in titles(web)), 20)
        until(lambda: box.alerts("link_drops")[0].ended_us, 40, "it holds again")
        assert 1 == len(box.alerts("link_drops"))
        assert 1 == len(titles(web))
        until(lambda: publish(mosquitto.port, 40.0) and box.service.mqtt.counts.messages, 10)


def test_a_broker_that_has_lost_our_session_is_told_as_a_hole_and_all_filters_are_heard_again(
    tmp_path, web, monkeypatch
):
    forgetful = Mosquitto(
        tmp_path / "broker", QUEUES.replace("persistence true", "persistence false")
    ).start()
    try:
        with closing(Inside(tmp_path / "d", forgetful.url, "", monkeypatch)) as box:
            box.until_up()
            forgetful.stop()
            until(lambda: not box.service.mqtt.up, 10, "it is noticed")
            forgetful.start()
            box.until_up()
            until(lambda: any("is lost" in text for text in box.texts("link")), 10, "told")
            until(lambda: publish(forgetful.port, 40.5) and 40.5 in recorded(box), 10)
    finally:
        forgetful.stop()


def test_a_frozen_broker_is_noticed_in_two_keepalives_and_told_once_and_nothing_is_lost(
    tmp_path, mosquitto, web, monkeypatch
):
    monkeypatch.setattr("condmon.daemon.pace.WAIT_FOR_LINK_S", 1.0)
    more = '[adjust.condmon-link]\nhold = "1 s"\n' + GATE.format(url=web.url)
    with closing(Inside(tmp_path / "d", mosquitto.url, more, monkeypatch)) as box:
        box.until_up()
        mosquitto.freeze()
        begun_s = time.monotonic()
        until(lambda: not box.service.mqtt.up, 20, "it is noticed")
        assert time.monotonic() - begun_s < 2 * KEEPALIVE_S + 1
        until(lambda: web.requests, 40, "a person is told")
        mosquitto.thaw()
        begun_s = time.monotonic()
        box.until_up()
        assert time.monotonic() - begun_s < 2 * KEEPALIVE_S
        until(lambda: publish(mosquitto.port, 40.5) and 40.5 in recorded(box), 10)
        assert 1 == len(box.alerts("link")) == len(web.requests)


def test_acknowledged_alert_stays_so_over_a_power_cut_that_tears_the_file_and_is_not_told_again(
    tmp_path, mosquitto, web, started
):
    daemon = started(Daemon(tmp_path, mosquitto.url, MILL + GATE.format(url=web.url)))
    daemon.until_logged("connected to the broker")
    until(lambda: publish(mosquitto.port, 60.0) and web.requests, 20, "it is told")
    [alert] = machine_alerts(daemon)
    assert 0 == main(["log", "-c", str(daemon.config), "ack", alert.id])
    for harm in (torn, zeroed):
        until(lambda: publish(mosquitto.port, 60.0)
              and machine_alerts(daemon)[0].state == "active_acknowledged", 10)  # fmt: skip
        publish_for(mosquitto.port, 2.0)  # what is lost is the end of the file, no more
        daemon.kill()
        for path in daemon.store.glob("*.db-wal"):
            harm(path)
        daemon.start()
        daemon.until_locked()
        until(lambda: publish(mosquitto.port, 60.0) and judging(daemon), 20, "it judges again")
    assert 0 == daemon.stop()
    [kept] = machine_alerts(daemon)
    assert (alert.id, None, "active_acknowledged") == (kept.id, kept.ended_us, kept.state)
    assert 1 == len(web.requests)
    assert "Traceback" not in daemon.errors()


def machine_alerts(daemon: Daemon) -> list[Alert]:
    with Reader(daemon.store) as reader:
        return [a for a in reader.alerts() if a.machine == "mill-1"]


def publish_for(port: int, seconds: float) -> None:
    end_s = time.monotonic() + seconds
    until(lambda: publish(port, 60.0) and time.monotonic() > end_s, seconds + 5)


def judging(daemon: Daemon) -> bool:
    with Reader(daemon.store) as reader:
        return reader.written_us() > (time.time() - 2) * 1e6


def torn(path: Path) -> None:
    """The last block was not written."""
    os.truncate(path, max(0, path.stat().st_size - 4096))


def zeroed(path: Path) -> None:
    """The last sector holds nothing."""
    size = path.stat().st_size
    if size >= 512:
        with path.open("r+b") as file:
            file.seek(size - 512)
            file.write(bytes(512))


def test_a_log_disk_that_is_full_stops_neither_the_watch_nor_the_word_of_it(
    tmp_path, mosquitto, web, started
):
    daemon = Daemon(tmp_path, mosquitto.url, MILL + GATE.format(url=web.url))
    started(daemon, Path("/dev/full"))
    daemon.until_locked()
    until(lambda: publish(mosquitto.port, 60.0) and web.requests, 20, "it is told all the same")
    assert 0 == daemon.stop()
    assert {60.0} == set(recorded(daemon))
    assert "Traceback" not in daemon.errors()
