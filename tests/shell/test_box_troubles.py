"""What befalls a box in a cabinet, beside test_operations: on a whole daemon with real parts."""

from contextlib import closing

import pytest

from tests.disks import card
from tests.inside import GATE, QUICK, Inside
from tests.receivers import web
from tests.shell.test_operations import recorded
from tests.shell.test_watch import publish
from tests.waiting import until

__all__ = ["card", "web"]
pytestmark = [pytest.mark.broker, pytest.mark.slow]


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
    monkeypatch.setattr("condmon.mqtt.linkwords.PAUSE_MAX_S", 0.5)
    monkeypatch.setattr("condmon.daemon.ownhealth.DROPS_WITHIN_S", 10.0)
    more = QUICK + "link_drops = 2\n" + GATE.format(url=web.url)
    with closing(Inside(tmp_path / "d", mosquitto.url, more, monkeypatch)) as box:
        box.until_up()
        box.live(2)
        assert [] == box.alerts("link_drops")
        for _ in range(5):
            mosquitto.stop()
            until(lambda: "nobody listens" in box.service.mqtt.reason, 10, "the drop is noticed")
            mosquitto.start()
            box.until_up()
        until(lambda: any("unstable" in title for title in titles(web)), 20)
        until(lambda: box.alerts("link_drops")[0].ended_us, 40, "it holds again")
        assert 1 == len(box.alerts("link_drops"))
        assert 1 == len(titles(web))
        until(lambda: publish(mosquitto.port, 40.0) and box.service.mqtt.counts.messages, 10)
