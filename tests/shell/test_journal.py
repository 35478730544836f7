"""The journal: all or nothing, again changes nothing, damage is set aside."""

import sqlite3
import subprocess
import sys
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from condmon.engine.outputs import Judged
from condmon.engine.records import samples
from condmon.errors import StoreError
from condmon.store.journal import FRESH_US, SETTLE_US, Journal, Reader, Route
from condmon.store.journal_file import SentLog, transaction
from tests.letters import NOW_US, alert, entry, message

BOTH = (Route("phone", ("now", "today", "note")), Route("owner", ("now",)))


def content(journal):
    """Every row of every table but the marks."""
    with sqlite3.connect(journal.path) as db:
        rows = {
            table: db.execute(f"SELECT * FROM {table} ORDER BY 1").fetchall()
            for table in ("entry", "alert", "message", "delivery")
        }
    db.close()
    return rows


@pytest.fixture
def journal(tmp_path):
    opened = Journal(tmp_path)
    yield opened
    opened.close()


def test_what_was_written_is_read_back_whole(journal):
    outputs = [entry(), alert(cause="hose", acknowledged_us=NOW_US), message()]
    journal.write(outputs, 7, BOTH, NOW_US)
    assert [entry()] == journal.entries()
    assert [alert(cause="hose", acknowledged_us=NOW_US)] == journal.alerts()
    assert [message(), message()] == [d.message for d in journal.deliveries("waiting")]
    assert ["alert-1:raised:0:phone", "alert-1:raised:0:owner"] == [
        d.key for d in journal.deliveries()
    ]
    assert 7 == journal.offset()


def test_route_gets_only_the_urgencies_it_takes(journal):
    journal.write([message(urgency="today")], 1, BOTH, NOW_US)
    assert ["phone"] == [d.route for d in journal.deliveries()]


def test_judged_samples_are_not_journalled(journal):
    row = samples([(0, NOW_US, NOW_US, 1.0, 0, 0, 0)])
    journal.write([Judged(row.arrived_us, row)], 1, BOTH, NOW_US)
    assert not any(content(journal).values())


def test_numbers_of_numpy_and_any_mapping_are_taken(journal):
    facts = MappingProxyType({"rpm": np.float64(8000.5), "n": np.int64(3)})
    journal.write([entry(at_us=np.int64(NOW_US), facts=facts)], np.int64(3), BOTH, NOW_US)
    assert {"rpm": 8000.5, "n": 3} == journal.entries()[0].facts
    assert NOW_US == journal.entries()[0].at_us


def test_older_revision_never_replaces_a_newer_one(journal):
    journal.write([alert(revision=3, cause="hose")], 1, BOTH, NOW_US)
    journal.write([alert(revision=2)], 2, BOTH, NOW_US)
    assert "hose" == journal.alerts()[0].cause


def test_open_alerts_are_those_not_ended_or_ended_unseen(journal):
    over = {"ended_us": NOW_US}
    journal.write(
        [
            alert(1),
            alert(2, state="normal", **over),
            alert(3, state="returned_unacknowledged", **over),
            alert(4, state="shelved"),
        ],
        1,
        BOTH,
        NOW_US,
    )
    assert ["alert-1", "alert-3", "alert-4"] == [a.id for a in journal.alerts(open_only=True)]
    assert 4 == len(journal.alerts())


def test_entries_are_found_by_machine_and_kind_newest_first(journal):
    journal.write(
        [entry(1), entry(2, kind="link"), entry(3, machine="mill-2"), entry(4)], 1, BOTH, NOW_US
    )
    assert ["entry-4", "entry-2", "entry-1"] == [e.id for e in journal.entries(machine="mill-1")]
    assert ["entry-2"] == [e.id for e in journal.entries(kind="link")]
    assert ["entry-4"] == [e.id for e in journal.entries(limit=1)]


def test_entries_cannot_be_changed_or_removed(journal):
    journal.write([entry()], 1, BOTH, NOW_US)
    for change in ("UPDATE entry SET text = 'x'", "DELETE FROM entry"):
        with (
            sqlite3.connect(journal.path) as db,
            pytest.raises(sqlite3.IntegrityError, match="only ever added"),
        ):
            db.execute(change)
        db.close()


def test_turn_that_fails_half_way_leaves_nothing(journal):
    with pytest.raises(TypeError):
        journal.write([entry(), alert(facts={"x": object()})], 5, BOTH, NOW_US)
    assert not any(content(journal).values())
    assert 0 == journal.offset()


class RefusesOnce(sqlite3.Connection):
    """A connection whose commit and the rollback after it fail once, as on a disk with an error."""

    refuses = ("COMMIT", "ROLLBACK")

    def execute(self, sql, *values):
        if sql in self.refuses:
            self.refuses = tuple(word for word in self.refuses if word != sql)
            raise sqlite3.OperationalError("disk I/O error")
        return super().execute(sql, *values)


def test_turn_whose_rollback_fails_too_is_rolled_back_before_the_next(tmp_path):
    path = tmp_path / "any.sqlite"
    db = sqlite3.connect(path, isolation_level=None, factory=RefusesOnce)
    db.execute("CREATE TABLE told (n)")
    with pytest.raises(sqlite3.OperationalError), transaction(db):
        db.execute("INSERT INTO told VALUES (1)")
    assert db.in_transaction
    with transaction(db):
        db.execute("INSERT INTO told VALUES (2)")
    other = sqlite3.connect(path, timeout=0, isolation_level=None)
    with transaction(other):
        assert [(2,)] == other.execute("SELECT n FROM told").fetchall()
    db.close()
    other.close()


def test_message_out_of_a_backlog_waits_until_the_backlog_has_passed(journal):
    journal.write([message(at_us=NOW_US - FRESH_US)], 1, BOTH, NOW_US)
    assert {NOW_US + SETTLE_US} == {d.due_us for d in journal.deliveries()}


def test_route_added_later_is_not_told_of_the_past(journal):
    journal.write([message()], 1, BOTH[:1], NOW_US)
    journal.write([message()], 1, BOTH, NOW_US + 1)
    assert ["phone"] == [d.route for d in journal.deliveries()]


NUMBERS = st.integers(1, 4)
OUTPUTS = st.lists(
    st.one_of(
        st.builds(entry, NUMBERS),
        st.builds(alert, NUMBERS, st.integers(1, 3)),
        st.builds(message, NUMBERS, urgency=st.sampled_from(["now", "today", "note"])),
    ),
    max_size=12,
)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(turns=st.lists(OUTPUTS, min_size=1, max_size=4), back=st.integers(0, 4))
def test_writing_turns_again_changes_nothing(tmp_path_factory, turns, back):
    """As after a crash: the turns since some snapshot come again, perhaps cut another way."""
    # one id, one content: what the engine guarantees; only a revision changes an alert
    seen = {}
    turns = [[seen.setdefault((o.id, getattr(o, "revision", 0)), o) for o in t] for t in turns]
    journal = Journal(tmp_path_factory.mktemp("journal"))
    for offset, turn in enumerate(turns, 1):
        journal.write(turn, offset, BOTH, NOW_US + offset)
    before = content(journal)
    for offset, turn in list(enumerate(turns, 1))[-back:]:
        journal.write(turn, offset, BOTH, NOW_US + 50 + offset)
    journal.write([o for turn in turns for o in turn], len(turns), BOTH, NOW_US + 99)
    assert before == content(journal)
    assert len(turns) == journal.offset()
    journal.close()


def test_offset_is_on_the_disk_whenever_outputs_are(tmp_path):
    journal = Journal(tmp_path)
    journal.write([], 1, BOTH, NOW_US)
    journal.write([], 2, BOTH, NOW_US + 1)
    with Reader(tmp_path) as reader:
        assert 1 == reader.offset()  # an empty turn does not wear the disk
        journal.write([entry()], 3, BOTH, NOW_US + 2)
        assert 3 == reader.offset()
        assert NOW_US + 2 == reader.written_us()
    assert 3 == journal.offset()
    journal.close()


def test_two_newest_snapshots_are_kept(journal):
    for offset in (1, 2, 3):
        journal.keep_snapshot(b"state %d" % offset, offset)
    assert [(b"state 3", 3), (b"state 2", 2)] == list(journal.snapshots())
    assert (b"state 3", 3) == journal.last_snapshot()


def test_damaged_newest_snapshot_gives_the_older_one(journal):
    journal.keep_snapshot(b"older", 1)
    journal.keep_snapshot(b"newer", 2)
    with sqlite3.connect(journal.path) as db:
        db.execute("UPDATE snapshot SET body = x'00' WHERE at_offset = 2")
    db.close()
    assert (b"older", 1) == journal.last_snapshot()


def test_no_snapshot_is_told_as_none(journal):
    assert journal.last_snapshot() is None


def test_another_process_reads_while_the_daemon_writes(journal, tmp_path):
    journal.write([entry(), alert()], 1, BOTH, NOW_US)
    words = (
        "import sys; from pathlib import Path; from condmon.store.journal import Reader\n"
        "r = Reader(Path(sys.argv[1])); print(len(r.entries()), r.alerts(True)[0].id)"
    )
    run = subprocess.run(
        [sys.executable, "-c", words, str(tmp_path)], capture_output=True, text=True, check=True
    )
    assert "1 alert-1\n" == run.stdout


def test_reader_of_an_empty_folder_says_so(tmp_path):
    with pytest.raises(StoreError, match="the daemon has not run"):
        Reader(tmp_path)


def test_reader_of_something_else_says_damaged(tmp_path):
    (tmp_path / "journal.db").write_bytes(b"not a database" * 500)
    with pytest.raises(StoreError, match="damaged"):
        Reader(tmp_path)


def _filled(folder):
    journal = Journal(folder)
    journal.write([entry(n) for n in range(300)] + [message()], 9, BOTH, NOW_US)
    journal.close()
    return journal.path


def test_a_journal_that_the_disk_refuses_to_read_for_a_moment_is_not_set_aside(
    tmp_path, monkeypatch
):
    first = Journal(tmp_path)
    first.write([entry()], 1, BOTH, NOW_US)
    first.close()
    connect, refusals = sqlite3.connect, iter([True])

    class Refusing(sqlite3.Connection):
        """Answers as SQLite does where a page cannot be read."""

        def execute(self, sql, *values):
            if "quick_check" in sql and next(refusals, False):
                sql = "SELECT 'Tree 2 page 3: unable to get the page. error code=10'"
            return super().execute(sql, *values)

    monkeypatch.setattr(sqlite3, "connect", lambda *a, **k: connect(*a, factory=Refusing, **k))
    journal = Journal(tmp_path)
    assert [entry()] == journal.entries()
    assert journal.set_aside is None
    journal.close()


@pytest.mark.parametrize("harm", ["zeros", "half zeros", "torn", "other words", "torn page"])
def test_damaged_journal_is_set_aside_and_a_new_one_begins(tmp_path, harm):
    path = _filled(tmp_path)
    whole = path.read_bytes()
    half = len(whole) // 2 // 4096 * 4096
    broken = {
        "zeros": bytes(len(whole)),
        "half zeros": whole[:half] + bytes(len(whole) - half),
        "torn": whole[:half],
        "torn page": whole[: half + 1000],
        "other words": b"power came back\n" * 4000,
    }[harm]
    path.write_bytes(broken)
    journal = Journal(tmp_path)
    assert tmp_path / "journal.damaged-1.db" == journal.set_aside
    assert broken == journal.set_aside.read_bytes()
    assert 0 == journal.offset()
    journal.write([entry()], 1, BOTH, NOW_US)
    assert [entry()] == journal.entries()
    journal.close()


def test_rebuilt_journal_does_not_send_again_what_was_sent(tmp_path):
    path = _filled(tmp_path)
    SentLog(tmp_path).add("alert-1:raised:0:owner")
    path.write_bytes(bytes(5000))
    journal = Journal(tmp_path)
    journal.write([message()], 1, BOTH, NOW_US)
    assert {"phone": "waiting", "owner": "sent"} == {d.route: d.state for d in journal.deliveries()}
    journal.close()


def test_sent_log_survives_a_line_cut_short(tmp_path):
    log = SentLog(tmp_path)
    log.add("one")
    with log.path.open("ab") as file:
        file.write(b'"tw\xff')
    log.add("three")
    assert {"one", "three"} == log.kept()


def test_sent_log_is_bounded_and_keeps_the_newest(tmp_path, monkeypatch):
    monkeypatch.setattr("condmon.store.journal_file.SENT_LOG_BYTES_MAX", 500)
    log = SentLog(tmp_path)
    for number in range(200):
        log.add(f"key-{number:03}")
    assert log.path.stat().st_size < 700
    assert "key-199" in log.kept()
    assert "key-000" not in log.kept()


def test_journal_of_a_newer_version_is_refused_in_words(tmp_path):
    path = _filled(tmp_path)
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(StoreError, match="newer condmon"):
        Journal(tmp_path)


def test_folder_that_is_a_file_is_told_in_words(tmp_path):
    (tmp_path / "store").write_text("")
    with pytest.raises(StoreError, match=r"cannot be used: .*Check the disk"):
        Journal(tmp_path / "store")


def test_full_disk_is_told_and_nothing_is_half_written(tmp_path):
    journal = Journal(tmp_path)
    journal.write([entry()], 1, BOTH, NOW_US)
    pages = journal._db.execute("PRAGMA page_count").fetchone()[0]
    journal._db.execute(f"PRAGMA max_page_count = {pages}")
    many = [entry(n, text="x" * 5000) for n in range(2, 50)]
    with pytest.raises(StoreError, match="disk is full"):
        journal.write(many, 2, BOTH, NOW_US + 1)
    assert 1 == journal.offset()
    assert 1 == len(journal.entries())
    journal._db.execute("PRAGMA max_page_count = 1000000")
    journal.write(many, 2, BOTH, NOW_US + 2)
    assert 49 == len(journal.entries())
    journal.close()


def test_readers_path_is_the_journals(journal, tmp_path):
    assert Path(tmp_path / "journal.db") == journal.path
