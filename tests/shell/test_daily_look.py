"""The daily look at the chain: a log that was tampered with becomes an alert by itself."""

import structlog

from condmon.engine.records import Health
from condmon.ledger.daily import DailyLook
from tests.daemons import MILL
from tests.letters import NOW_US
from tests.shell.test_chain import opened, written
from tests.shops import shop

__all__ = ["MILL", "shop"]


class Taken:
    """What a look hands over."""

    def __init__(self, folder) -> None:
        self.records, self.notes = [], []
        self.look = DailyLook(folder, lambda: NOW_US, self.records.append, self.notes.append).look


def test_whole_log_counts_no_fault_and_says_nothing(tmp_path):
    written(tmp_path)
    taken = Taken(tmp_path)
    taken.look()
    assert [Health(NOW_US, "log_faults", 0.0)] == taken.records
    assert [] == taken.notes


def test_edited_log_counts_its_faults_and_names_the_first(tmp_path):
    db = opened(written(tmp_path))
    db.execute("UPDATE entry SET text = 'all was well' WHERE seq IN (5, 9)")
    db.close()
    taken = Taken(tmp_path)
    taken.look()
    assert [Health(NOW_US, "log_faults", 2.0)] == taken.records
    assert "entry 5 was edited" in taken.notes[0]


def test_log_that_cannot_be_read_is_told_to_whoever_runs_condmon(tmp_path):
    taken = Taken(tmp_path)
    with structlog.testing.capture_logs() as lines:
        taken.look()
    assert ([], []) == (taken.records, taken.notes)
    assert ["the log could not be verified"] == [line["event"] for line in lines]


def test_edited_log_raises_an_alert_of_condmon_itself(shop):
    service = shop.service()
    shop.live(service, 5, 40.0)
    db = opened(shop.store / "journal.db", alone=False)
    db.execute("UPDATE entry SET text = 'all was well' WHERE seq = 1")
    db.close()
    DailyLook(shop.store, shop.clock.now_us, service.inbox.put_action, service.note).look()
    shop.live(service, 130, 40.0)
    (alert,) = (a for a in service.standing.engine.open_alerts() if a.signals == ("log_faults",))
    assert "the event log is not as it was written" == alert.title
    assert any("entry 1 was edited" in text for text in shop.texts("action"))
