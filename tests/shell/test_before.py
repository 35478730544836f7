"""Lives and tasks outlast a changed configuration, a lost snapshot and lost recordings."""

import json
import sqlite3
from contextlib import closing

from condmon.daemon.service import Service
from condmon.engine.records import Filed
from condmon.store.journal import Reader
from tests.daemons import MILL
from tests.shops import Shop, shop

__all__ = ["shop"]


def file(shop: Shop, service: Service, what: str, key: str, machine: str = "mill-1", **content):
    service.inbox.put_action(
        Filed(shop.clock.now_us(), machine, what, "kim", key, json.dumps(content))
    )
    service.step()


def begin(shop: Shop) -> Service:
    """A spindle built in after five seconds, then more of them."""
    service = shop.service()
    shop.live(service, 8, 40.0)
    file(shop, service, "component", "spindle-a", "", name="Spindle unit", serial="S-1")
    file(shop, service, "installed", "spindle-a", place="spindle")
    file(shop, service, "task", "grease", title="Grease", sort="service", every={"days": 30},
         used={"days": 10})  # fmt: skip
    shop.live(service, 20, 40.0)
    return service


def seconds_warm(service: Service) -> float:
    """Life of the spindle: seconds at 40 degrees."""
    engine = service.standing.engine
    life = engine.servicebook.components.known["spindle-a"].life_now(engine.counts())
    return life.get("warm_s:bearing:40", 0)


def test_life_goes_on_where_it_was_under_a_changed_configuration(shop):
    first = begin(shop)
    before = seconds_warm(first)
    total = first.standing.engine.counts()["mill-1"]
    assert before >= 20
    shop.leave(first)
    shop.configure(MILL + "# a remark\n")
    second = shop.service()
    assert before == seconds_warm(second)
    assert total == second.standing.engine.counts()["mill-1"]
    shop.live(second, 10, 40.0)
    assert before + 10 <= seconds_warm(second) <= before + 40
    assert ["grease"] == list(second.standing.engine.servicebook.tasks.known)


def test_what_was_carried_over_is_in_the_recording(shop):
    """A restart without any snapshot then comes to the same counters."""
    first = begin(shop)
    shop.leave(first)
    shop.configure(MILL + "# a remark\n")
    second = shop.service()
    shop.live(second, 5, 40.0)
    told = [r for _, records in second.recorder.read(0) for r in records if isinstance(r, Filed)]
    assert ["component", "installed", "task", "carried"] == [record.what for record in told]
    assert 1 == shop.texts("service").count(
        "service book and counters are carried over from before"
    )
    life, counts = seconds_warm(second), second.standing.engine.counts()
    shop.abandon(second)
    third = shop.service()
    assert life == seconds_warm(third)
    assert counts == third.standing.engine.counts()


def test_kill_between_snapshots_loses_nothing_of_a_life(shop):
    first = begin(shop)
    life = seconds_warm(first)
    shop.abandon(first)
    assert life == seconds_warm(shop.service())


def test_unreadable_snapshot_and_lost_recordings_leave_the_book_that_the_log_tells(shop):
    first = begin(shop)
    file(shop, first, "removed", "spindle-a", to="exchange", text="noisy")
    life = seconds_warm(first)
    shop.abandon(first)
    for path in shop.store.glob("stream-*"):
        path.unlink()
    with closing(sqlite3.connect(shop.store / "journal.db")) as db, db:
        db.execute("UPDATE snapshot SET body = x'00'")
    second = shop.service()
    assert life == seconds_warm(second)
    component = second.standing.engine.servicebook.components.known["spindle-a"]
    assert ("exchange", "S-1") == (component.where, component.serial)


def test_a_snapshot_of_another_version_still_gives_the_book(shop, monkeypatch):
    first = begin(shop)
    life = seconds_warm(first)
    shop.leave(first)
    monkeypatch.setattr("condmon.engine.snapshot.VERSION", 10_000)
    second = shop.service()
    assert life == seconds_warm(second)


def test_clock_put_back_keeps_the_book(shop):
    first = begin(shop)
    life = seconds_warm(first)
    first.standing.begin_anew(shop.clock.now_us())
    assert life == seconds_warm(first)


def test_component_of_a_machine_that_left_the_configuration_can_still_be_taken_out(shop):
    first = begin(shop)
    shop.leave(first)
    shop.configure(MILL.replace("mill-1", "mill-9"))
    second = shop.service()
    file(shop, second, "removed", "spindle-a", to="store")
    assert "store" == second.standing.engine.servicebook.components.known["spindle-a"].where
    with Reader(shop.store) as reader:
        [entry] = [e for e in reader.entries(50) if e.facts.get("what") == "removed"]
    assert "removed, in store" in entry.text


def test_nonsense_that_claims_to_be_carried_changes_nothing(shop):
    first = begin(shop)
    life = seconds_warm(first)
    for content in ("{}", "[]", "x", '{"book": {}, "counts": {}, "days": {}}'):
        first.inbox.put_action(Filed(shop.clock.now_us(), "", "carried", "x", "book", content))
        first.step()
        assert life == seconds_warm(first)
    assert 4 == sum("was refused" in text for text in shop.texts("service"))
