"""The chain of the event log: whatever is changed behind condmon's back is found and named."""

import random
import sqlite3
from pathlib import Path

import pytest

from condmon.errors import StoreError
from condmon.ledger.verify import KEPT_MAX, Fault, Verdict, verify
from condmon.store.chain import NOTED, Head, beginning, link, parse_head
from condmon.store.journal import Journal
from condmon.store.journal_file import _MIGRATIONS
from tests.letters import NOW_US, entry

COUNT = 60
DAY_US = 86_400_000_000
ROW = "seq, id, at_us, machine, kind, text, facts"


def written(folder: Path, count: int = COUNT, now_us: int = NOW_US) -> Path:
    journal = Journal(folder)
    journal.write([entry(n) for n in range(1, count + 1)], 1, (), now_us)
    journal.close()
    return folder / "journal.db"


def opened(path: Path, *, alone: bool = True) -> sqlite3.Connection:
    """A journal as someone opens it who does not want to be stopped by triggers."""
    db = sqlite3.connect(path, isolation_level=None)
    if alone:
        db.executescript("PRAGMA journal_mode = MEMORY; PRAGMA synchronous = OFF")
    for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        db.execute(f"DROP TRIGGER {name}")
    return db


def names(fault: Fault, seq: int) -> bool:
    return fault.first <= seq <= fault.last or seq in {fault.first, fault.last}


def named(verdict: Verdict, seq: int) -> bool:
    return any(names(fault, seq) for fault in verdict.faults)


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> bytes:
    return written(tmp_path_factory.mktemp("whole")).read_bytes()


@pytest.fixture
def path(tmp_path, whole) -> Path:
    (tmp_path / "journal.db").write_bytes(whole)
    return tmp_path / "journal.db"


def test_untouched_log_is_whole_and_its_head_is_told(path):
    found = verify(path)
    assert found.whole
    assert (COUNT, COUNT) == (found.entries, found.head.seq)
    assert found.head == parse_head(str(found.head))
    assert "nothing had been recorded here before" == found.reason


def test_hash_of_an_entry_is_the_documented_one(path):
    with sqlite3.connect(path) as db:
        began_us, reason, older = db.execute("SELECT began_us, reason, older FROM chain").fetchone()
        rows = db.execute(f"SELECT {ROW}, hash FROM entry ORDER BY seq").fetchall()
    db.close()
    at = beginning(began_us, reason, older)
    for row in rows:
        at = link(at, *row[:7])
        assert row[7] == at


def test_parts_of_an_entry_do_not_run_into_each_other():
    start = bytes(32)
    assert link(start, 1, "ab", 1, "c", "k", "t", "{}") != link(
        start, 1, "a", 1, "bc", "k", "t", "{}"
    )
    assert link(start, 11, "a", 1, "c", "k", "t", "{}") != link(
        start, 1, "a", 11, "c", "k", "t", "{}"
    )


# tampering: each takes (db, chance), does something, and gives the numbers it concerns


def edit_a_field(db, chance):
    seq = chance.randint(1, COUNT)
    field, value = chance.choice(
        [("text", "'all was well'"), ("at_us", "at_us + 1"), ("machine", "machine || 'x'"),
         ("kind", "'note'"), ("facts", "'{}'"), ("id", "id || '0'"),
         ("text", "substr(text, 1, length(text) - 1)"), ("facts", "facts || ' '")]
    )  # fmt: skip
    db.execute(f"UPDATE entry SET {field} = {value} WHERE seq = ?", (seq,))
    return {seq}


def edit_a_hash(db, chance):
    seq = chance.randint(1, COUNT)
    db.execute("UPDATE entry SET hash = ? WHERE seq = ?", (chance.randbytes(32), seq))
    return {seq}


def take_a_hash_away(db, chance):
    seq = chance.randint(1, COUNT)
    db.execute("UPDATE entry SET hash = NULL WHERE seq = ?", (seq,))
    return {seq}


def edit_with_its_hash(db, chance):
    """As one who knows how hashes are made, and makes one anew."""
    seq = chance.randint(1, COUNT)
    db.execute("UPDATE entry SET text = 'all was well' WHERE seq = ?", (seq,))
    before = db.execute("SELECT hash FROM entry WHERE seq = ?", (seq - 1,)).fetchone()
    if before is None:
        before = [beginning(*db.execute("SELECT began_us, reason, older FROM chain").fetchone())]
    row = db.execute(f"SELECT {ROW} FROM entry WHERE seq = ?", (seq,)).fetchone()
    db.execute("UPDATE entry SET hash = ? WHERE seq = ?", (link(before[0], *row), seq))
    return {seq}


def remove(db, chance):
    first = chance.randint(1, COUNT)
    last = min(COUNT, first + chance.choice([0, 0, 0, 3]))
    db.execute("DELETE FROM entry WHERE seq BETWEEN ? AND ?", (first, last))
    return set(range(first, last + 1))


def remove_and_close_up(db, chance):
    """The hole is closed by new numbers; the place behind it does not fit any more."""
    seq = chance.randint(1, COUNT - 1)
    db.execute("DELETE FROM entry WHERE seq = ?", (seq,))
    for n in range(seq + 1, COUNT + 1):
        db.execute("UPDATE entry SET seq = ? WHERE seq = ?", (n - 1, n))
    return {seq}


def swap_words(db, chance):
    a, b = chance.sample(range(1, COUNT + 1), 2)
    rows = {n: db.execute(f"SELECT {ROW} FROM entry WHERE seq = ?", (n,)).fetchone()
            for n in (a, b)}  # fmt: skip
    db.execute("UPDATE entry SET id = 'x' WHERE seq = ?", (a,))
    for to, row in ((b, rows[a]), (a, rows[b])):
        db.execute(
            "UPDATE entry SET id = ?, at_us = ?, machine = ?, kind = ?, text = ?, facts = ?"
            " WHERE seq = ?",
            (*row[1:], to),
        )
    return {a, b}


def swap_whole(db, chance):
    a = chance.randint(1, COUNT - 1)
    b = chance.choice([a + 1, chance.randint(a + 1, COUNT)])
    for old, new in ((a, 9_999), (b, a), (9_999, b)):
        db.execute("UPDATE entry SET seq = ? WHERE seq = ?", (new, old))
    return {a, b}


def put_one_in(db, chance):
    seq = chance.choice([COUNT + 1, -5, 0, 10**12])
    db.execute(
        "INSERT INTO entry(seq, id, at_us, machine, kind, text, facts, hash)"
        " VALUES (?, 'new', 1, 'mill-1', 'action', 'we checked it', '{}', ?)",
        (seq, chance.randbytes(32)),
    )
    return {seq}


def put_one_after_with_its_hash(db, _chance):
    head = db.execute("SELECT hash FROM entry WHERE seq = ?", (COUNT,)).fetchone()[0]
    row = (COUNT + 1, "new", 1, "mill-1", "action", "we checked it", "{}")
    db.execute(f"INSERT INTO entry({ROW}, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
               (*row, link(head, *row)))  # fmt: skip
    return {COUNT + 1}


def edit_the_beginning(db, chance):
    change = chance.choice(["reason = 'x'", "began_us = began_us - 1", "older = 5"])
    db.execute(f"UPDATE chain SET {change}")
    return {1}


TAMPERINGS = (
    edit_a_field, edit_a_hash, take_a_hash_away, edit_with_its_hash, remove, remove_and_close_up,
    swap_words, swap_whole, put_one_in, put_one_after_with_its_hash, edit_the_beginning,
)  # fmt: skip


def test_two_hundred_random_tamperings_are_all_found_and_named(path, whole):
    chance = random.Random(11)
    missed = []
    for number in range(200):
        tamper = TAMPERINGS[number % len(TAMPERINGS)]
        path.write_bytes(whole)
        db = opened(path)
        concerned = tamper(db, chance)
        db.close()
        found = verify(path)
        if not found.whole and all(named(found, seq) for seq in concerned):
            continue
        missed.append((number, tamper.__name__, concerned, found.faults))
    assert [] == missed


def test_swapped_entries_are_told_as_moved_with_the_place_they_are_from(path):
    db = opened(path)
    swap_whole(db, random.Random(3))
    db.close()
    assert {"moved"} == {fault.kind for fault in verify(path).faults}


def test_edited_entry_is_named_with_what_it_says_now_and_nothing_else_is_suspected(path):
    db = opened(path)
    db.execute("UPDATE entry SET text = 'all\x1b[2J was well' WHERE seq = 17")
    db.close()
    (fault,) = verify(path).faults
    assert ("edited", 17) == (fault.kind, fault.last)
    assert "all?[2J was well" in fault.text  # nothing that a terminal would obey


def test_log_made_anew_and_cut_off_is_found_only_against_a_head_noted_elsewhere(path):
    head = verify(path).head
    db = opened(path)
    db.execute("DELETE FROM entry WHERE seq > 50")
    db.execute("UPDATE chain SET head_seq = 50, head = (SELECT hash FROM entry WHERE seq = 50)")
    db.close()
    assert verify(path).whole
    (fault,) = verify(path, [head]).faults
    assert ("cut off", 51, COUNT) == fault[:3]


def test_log_made_anew_from_the_middle_is_found_against_a_noted_head(path):
    heads = [verify(path).head]
    db = opened(path)
    db.execute("UPDATE entry SET text = 'all was well' WHERE seq = 30")
    before = db.execute("SELECT hash FROM entry WHERE seq = 29").fetchone()[0]
    for row in db.execute(f"SELECT {ROW} FROM entry WHERE seq >= 30 ORDER BY seq").fetchall():
        before = link(before, *row)
        db.execute("UPDATE entry SET hash = ? WHERE seq = ?", (before, row[0]))
    db.execute("UPDATE chain SET head = ?", (before,))
    db.close()
    assert verify(path).whole
    assert ["head"] == [fault.kind for fault in verify(path, heads).faults]


def test_head_of_every_day_is_noted_beside_the_journal_and_looked_at(tmp_path):
    journal = Journal(tmp_path)
    for day in range(3):
        for turn in range(2):
            made = entry(day * 10 + turn)
            journal.write([made], day * 10 + turn, (), NOW_US + day * DAY_US + turn)
    journal.close()
    lines = (tmp_path / NOTED).read_text().splitlines()
    assert ["2026-11-25", "2026-11-26", "2026-11-27"] == [line[:10] for line in lines]
    assert 3 == verify(tmp_path / "journal.db").heads_fit
    db = opened(tmp_path / "journal.db")
    db.execute("DELETE FROM entry WHERE seq > 3")
    db.execute("UPDATE chain SET head_seq = 3, head = (SELECT hash FROM entry WHERE seq = 3)")
    db.close()
    assert [("cut off", 4, 5)] == [f[:3] for f in verify(tmp_path / "journal.db").faults]


def test_restart_on_the_same_day_notes_no_second_head(tmp_path):
    written(tmp_path)
    journal = Journal(tmp_path)
    journal.write([entry(900)], 2, (), NOW_US + 5)
    journal.close()
    assert 1 == len((tmp_path / NOTED).read_text().splitlines())


def test_line_of_a_head_that_a_crash_cut_short_spoils_no_other(tmp_path):
    path = written(tmp_path)
    with (tmp_path / NOTED).open("ab") as file:
        file.write(b"2026-11-26T00:00:00Z abc")
    journal = Journal(tmp_path)
    journal.write([entry(900)], 2, (), NOW_US + 2 * DAY_US)
    journal.close()
    assert 2 == verify(path).heads_fit


def test_folder_that_takes_no_heads_holds_nothing_up(tmp_path):
    (tmp_path / NOTED).mkdir()
    assert verify(written(tmp_path)).whole


def test_log_in_which_nothing_fits_is_told_within_bounds(path):
    db = opened(path)
    db.execute("UPDATE entry SET hash = randomblob(32)")
    for n in range(COUNT + 1, 1000):
        row = (n, f"x{n}", 1, "m", "k", "t", "{}", bytes(32))
        db.execute(f"INSERT INTO entry({ROW}, hash) VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)
    db.close()
    found = verify(path)
    assert KEPT_MAX == len(found.faults)
    assert found.more_faults > 700


def test_taking_entries_again_keeps_the_chain_and_late_ones_go_to_its_end(tmp_path):
    path = written(tmp_path)
    head = verify(path).head
    journal = Journal(tmp_path)
    journal.write([entry(n) for n in range(5, 40)], 2, (), NOW_US)
    assert head == verify(path).head
    journal.write([entry(7), entry(777, at_us=NOW_US - DAY_US), entry(8)], 3, (), NOW_US)
    journal.close()
    found = verify(path, [head])
    assert found.whole
    assert COUNT + 1 == found.head.seq


def test_turn_that_fails_leaves_the_chain_as_it_was(tmp_path):
    path = written(tmp_path)
    head = verify(path).head
    journal = Journal(tmp_path)
    with pytest.raises(TypeError):
        journal.write([entry(900), entry(901, facts={"x": object()})], 5, (), NOW_US)
    assert head == verify(path).head
    journal.write([entry(900)], 5, (), NOW_US)
    journal.close()
    assert verify(path, [head]).whole


def test_lost_journal_begins_another_chain_that_says_so(tmp_path):
    path = written(tmp_path)
    old = verify(path)
    path.unlink()
    (tmp_path / "stream-2026-11-25.db").touch()
    written(tmp_path)
    new = verify(path)
    assert new.whole
    assert new.chain != old.chain
    assert "no journal; this one was made from them" in new.reason
    assert 1 == new.heads_of_others
    assert ["head"] == [fault.kind for fault in verify(path, [old.head]).faults]


def test_damaged_journal_begins_another_chain_that_names_the_old_one(tmp_path):
    path = written(tmp_path)
    path.write_bytes(b"power came back\n" * 4000)
    written(tmp_path)
    assert "damaged and is now journal.damaged-1.db" in verify(path).reason


def journal_of_form_one(folder: Path) -> Path:
    """A journal as condmon wrote it before there was a chain."""
    path = folder / "journal.db"
    db = sqlite3.connect(path)
    db.executescript(f"{_MIGRATIONS[0]}; PRAGMA user_version = 1;")
    with db:
        db.executemany(
            "INSERT INTO entry(id, at_us, machine, kind, text, facts) VALUES (?, ?, ?, ?, ?, ?)",
            [(f"old-{n}", NOW_US + n, "mill-1", "duty", f"old coolant {n}", '{"by":"ben"}')
             for n in range(12_000)],
        )  # fmt: skip
    db.close()
    return path


def test_journal_of_before_the_chain_is_brought_up_to_date_and_says_so(tmp_path):
    path = journal_of_form_one(tmp_path)
    with pytest.raises(StoreError, match="did not chain its entries yet"):
        verify(path)
    journal = Journal(tmp_path)
    assert ["beginning"] == [fault.kind for fault in verify(path).faults]  # nothing written yet
    journal.write([entry(1)], 1, (), NOW_US)
    journal.close()
    found = verify(path)
    assert found.whole
    assert (12_001, 12_000) == (found.entries, found.older)
    assert "did not chain them yet" in found.reason
    with sqlite3.connect(path) as db:
        for change in ("text = 'x' WHERE seq = 5", "hash = NULL WHERE seq = 5"):
            with pytest.raises(sqlite3.IntegrityError, match="only ever added"):
                db.execute(f"UPDATE entry SET {change}")
    db.close()


def test_file_that_is_no_journal_is_told_in_words(tmp_path):
    with pytest.raises(StoreError, match="no such journal"):
        verify(tmp_path / "journal.db")
    (tmp_path / "journal.db").write_bytes(b"not a database" * 500)
    with pytest.raises(StoreError, match="damaged"):
        verify(tmp_path / "journal.db")


@pytest.mark.parametrize("text", ["", "12", "12:ab", "x:" + "a" * 64, "1:" + "g" * 64])
def test_what_is_no_head_is_not_read_as_one(text):
    assert parse_head(text) is None
    assert Head(1, bytes(32)) == parse_head(" 1:" + "0" * 64 + "\n")
