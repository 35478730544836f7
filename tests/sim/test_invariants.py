"""Each invariant of the simulated world can fail: a fault is planted, and it is found."""

from dataclasses import replace

import pytest

from condmon.daemon.service import Service
from condmon.delivery.lane import Lane
from condmon.engine.outputs import Alert, Entry
from condmon.engine.records import Gap, Link, Samples, Started
from condmon.mqtt.inbox import Inbox
from condmon.store.journal import Journal
from condmon.store.recorder import Recorder
from condmon.store.spool import Spool
from tests.sim import world as sim
from tests.sim.invariants import check
from tests.sim.test_world import lived

pytestmark = pytest.mark.filterwarnings(
    "ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning"
)
SEED, TURNS = 7, 130
"""A world whose clock is right and whose bearing is hot once."""


@pytest.fixture
def found(tmp_path, monkeypatch):
    """Lives the planted fault and says whether its words are among what is wrong."""
    monkeypatch.setattr("tests.sim.harms.HARMS", {})

    def look(words, plan=None, turns=TURNS):
        world = lived(SEED, tmp_path / "world", monkeypatch, turns, plan or {})
        assert world.hot
        wrong = check(world)
        return any(words in one for one in wrong) or wrong

    return look


def test_without_a_fault_nothing_is_wrong(found):
    assert [] == found("anything")


def test_a_recorder_that_forgets_a_batch_would_be_found(found, monkeypatch):
    real, calls = Recorder.append, iter(range(10**6))

    def forgets(recorder, records):
        return recorder.last_offset() if next(calls) % 50 == 49 else real(recorder, records)

    monkeypatch.setattr(Recorder, "append", forgets)
    assert found("acknowledged and not recorded") is True


def test_an_acknowledgement_before_the_disk_has_it_would_be_found(found, monkeypatch):
    real = Spool.append

    def early(spool, records, tickets):
        real(spool, records, ())
        return tickets

    monkeypatch.setattr(Spool, "append", early)
    plan = {40: "disk_refuses", 42: "kill"}
    assert found("acknowledged and not recorded", plan) is True


def test_a_spool_that_never_acknowledges_would_be_found(found, monkeypatch):
    real = Spool.append
    monkeypatch.setattr(Spool, "append", lambda *args: real(*args) and ())
    assert found("never acknowledged") is True


def test_a_hole_that_nobody_tells_would_be_found(found, monkeypatch):
    real = Inbox.put_action

    def quiet(inbox, record):
        if not isinstance(record, Gap | Link | Started):
            real(inbox, record)

    monkeypatch.setattr(Inbox, "put_action", quiet)
    assert found("a hole without a gap", {40: "forget"}) is True


def test_a_sample_that_nobody_sent_would_be_found(found, monkeypatch):
    real = Recorder.append

    def invents(recorder, records):
        made = [replace(r, value=r.value + 5000) if isinstance(r, Samples) else r for r in records]
        return real(recorder, made)

    monkeypatch.setattr(Recorder, "append", invents)
    assert found("nobody said number") is True


def test_an_alert_without_a_cause_would_be_found(found, monkeypatch):
    monkeypatch.setattr(sim, "CONFIG", sim.CONFIG.replace("bearing > 50", "bearing > 30"))
    assert found("invented: bearing-over-limit") is True


def test_an_own_alert_without_a_cause_would_be_found(found, monkeypatch):
    monkeypatch.setattr(Service, "_certificate_ends_us", lambda _: 1)
    assert found("invented: condmon-health", turns=240) is True


def test_a_heat_that_is_not_told_would_be_found(found, monkeypatch):
    monkeypatch.setattr(sim, "CONFIG", sim.CONFIG.replace("bearing > 50", "bearing > 99"))
    assert found("missed: heat") is True


def test_a_journal_that_misses_an_end_would_be_found(found, monkeypatch):
    real = Journal._put_alert

    def lazy(journal, alert: Alert):
        if alert.revision <= 1:
            real(journal, alert)

    monkeypatch.setattr(Journal, "_put_alert", lazy)
    assert found("differs: ") is True


def test_a_journal_that_misses_a_line_would_be_found(found, monkeypatch):
    real = Journal.write

    def forgets(journal, outputs, *rest):
        real(journal, [o for o in outputs if not isinstance(o, Entry)], *rest)

    monkeypatch.setattr(Journal, "write", forgets)
    assert found("lines only in the replay") is True


def test_a_way_that_tells_nothing_would_be_found(found, monkeypatch):
    monkeypatch.setattr(Lane, "step", lambda _: False)
    monkeypatch.setattr(sim, "REST_MAX_S", 5)
    assert found("not delivered") is True


def test_a_message_marked_without_being_sent_would_be_found(found, monkeypatch):
    monkeypatch.setattr(Lane, "_deliver", lambda lane, due: lane._finish(due, "sent"))
    assert found("marked as sent and never received") is True


def test_a_message_told_twice_would_be_found(found, monkeypatch):
    real, calls = Lane._finish, iter(range(10**6))

    def forgets(lane, due, state, *rest, **named):
        if next(calls):
            real(lane, due, state, *rest, **named)

    monkeypatch.setattr(Lane, "_finish", forgets)
    monkeypatch.setattr("condmon.delivery.lane.LEASE_S", 1.0)
    assert found("told twice") is True


def test_memory_that_is_never_given_back_would_be_found(found, monkeypatch):
    monkeypatch.setattr(Spool, "retry", lambda _: False)
    monkeypatch.setattr(sim, "REST_MAX_S", 5)
    assert found("batches that wait for the disk", {30: "disk_refuses"}) is True
