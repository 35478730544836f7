"""`condmon log`: show, export, verify on the command line, over a folder that has lived a while."""

import csv
import io
import json
import re
import sqlite3

import pytest

from condmon.cli import main
from condmon.digest.compose import text_of
from condmon.digest.due import report_of
from condmon.engine.outputs import Entry
from condmon.engine.records import Action
from condmon.ledger.export import csv_lines
from condmon.ledger.verify import verify
from condmon.store.chain import Head
from condmon.store.entries import EntryReader, Numbered, Wanted
from tests.ledgers import Lived
from tests.letters import SITE
from tests.shell.test_chain import opened

REPORT = ("report", "--machine")


@pytest.fixture(scope="module")
def lived(tmp_path_factory):
    made = Lived(tmp_path_factory.mktemp("lived"))
    made.day()
    made.say(
        Action(made.now_us, "note", "ben", machine="mill-1", text="=1+2 belt\x1b[2J looked at")
    )
    note = made.journal.entries(1)[0]
    made.say(Action(made.now_us + 9, "correct", "eva", machine="mill-1", entry=note.id,
                    text="it was the hose"))  # fmt: skip
    made.close()
    return made


@pytest.fixture
def run(lived, capsys):
    def command(*words):
        code = main(["log", "-c", str(lived.config_path), *map(str, words)])
        told = capsys.readouterr()
        return code, told.out, told.err

    return command


def test_show_gives_numbers_and_narrows(run):
    code, out, _ = run("show", "--words", "nose bearing", "--kind", "alert")  # the check's id
    assert 0 == code
    assert ["3", "7", "9"] == [line.split()[2] for line in out.splitlines()]  # oldest first
    assert out == run("show", "--words", "UPPER spindle nose", "--kind", "alert")[1]
    assert ["9"] == [line.split()[2] for line in run("show", "--words", "nose", "--last", "1")[1]
                     .splitlines()]  # fmt: skip
    assert "" == run("show", "--machine", "mill-2", "--kind", "alert")[1]
    assert "" == run("show", "--day", "2020-01-01")[1]


def test_correction_points_back_and_is_shown_below_what_it_corrects(run):
    lines = run("show", "--words", "belt")[1].splitlines()
    assert "belt" in lines[0]
    assert "(ben)" in lines[0]
    assert "corrected 2026-11-25" in lines[1]
    assert "it was the hose" in lines[1]
    (found,) = (json.loads(line) for line in run("--json", "show", "--words", "hose")[1].split("\n")
                if line)  # fmt: skip
    (note,) = (json.loads(line) for line in run("--json", "show", "--words", "belt")[1].split("\n")
               if line)  # fmt: skip
    assert note["id"] == found["facts"]["corrects"]
    assert note["number"] + 1 == found["number"]


def test_what_a_terminal_would_obey_is_not_printed(run):
    assert "\x1b" not in run("show", "--words", "belt")[1]


def test_whole_log_is_verified_and_its_head_can_be_given_again(run, lived):
    code, out, _ = run("verify")
    assert 0 == code
    assert "The log is whole" in out
    (head,) = (line.split()[1] for line in out.splitlines() if line.startswith("Head "))
    assert 0 == run("verify", "--head", head)[0]
    assert str(verify(lived.folder / "journal.db").head) == head
    code, out, _ = run("verify", "--head", Head(99_999, bytes(32)))
    assert 1 == code
    assert "CUT OFF: a head was noted for entry 99999" in out


def test_weekly_report_takes_a_head_out_of_the_house_that_verify_takes_back(run, lived):
    settings = lived.config.settings
    text = text_of(report_of(lived.folder, settings, lived.now_us, week=True), settings.calendar)
    (head,) = re.findall(r"condmon log verify --head (\d+:[0-9a-f]{64})", text)
    assert 0 == run("verify", "--head", head)[0]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("verify", "--head", "12"), "this is no head"),
        (("verify", "--journal", "none.db"), "no such journal"),
        (("export", "-o", "x.xls"), ".csv or .jsonl"),
        (("export", "-o", "/nowhere/x.csv"), "cannot write"),
        ((*REPORT, "mill-9", "--day", "2026-11-25", "-o", "x.html"), "no such machine"),
        ((*REPORT, "mill-1", "-o", "x.html"), "say which time"),
        ((*REPORT, "mill-1", "--day", "2026-11-25", "-o", "x.pdf"), ".html"),
        ((*REPORT, "mill-1", "--day", "2020-01-01", "-o", "x.html"), "nothing is known"),
        (("correct", "99999", "x"), "There is no entry 99999"),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_said_in_words(run, words, told, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, out, err = run(*words)
    assert code in {1, 2}
    assert "" == out
    assert told in err
    assert [] == list(tmp_path.iterdir())


def test_tampered_copy_is_named_with_exit_code_1(run, lived, tmp_path):
    copy = tmp_path / "copy.db"
    copy.write_bytes((lived.folder / "journal.db").read_bytes())
    db = opened(copy)
    db.execute("UPDATE entry SET text = 'all was well' WHERE seq = 4")
    db.execute("DELETE FROM entry WHERE seq = 7")
    db.close()
    code, out, _ = run("verify", "--journal", copy)
    assert 1 == code
    assert "EDITED: entry 4 was edited" in out
    assert "REMOVED: entry 7 is missing" in out
    assert "Head " not in out
    code, out, _ = run("--json", "verify", "--journal", copy)
    rows = [json.loads(line) for line in out.splitlines()]
    assert ["edited", "removed"] == [row["of"] for row in rows[:-1]]
    assert (False, 2) == (rows[-1]["whole"], rows[-1]["faults"])


def test_export_holds_every_entry_and_can_be_narrowed(run, lived, tmp_path):
    with EntryReader(lived.folder) as reader:
        all_of_them = list(reader.each(Wanted()))
    assert 0 == run("export", "-o", tmp_path / "all.jsonl")[0]
    rows = [json.loads(line) for line in (tmp_path / "all.jsonl").read_text().splitlines()]
    assert [(one.seq, one.entry.id, one.hash.hex()) for one in all_of_them] == [
        (row["number"], row["id"], row["hash"]) for row in rows
    ]
    assert 0 == run("export", "-o", tmp_path / "few.csv", "--kind", "duty")[0]
    with (tmp_path / "few.csv").open(newline="", encoding="utf-8") as file:
        kinds = {row["kind"] for row in csv.DictReader(file)}
    assert {"duty"} == kinds
    code, _, err = run("export", "-o", tmp_path / "few.csv")
    assert 2 == code
    assert "not written over" in err


@pytest.mark.parametrize(
    "text",
    ["=1+2", "+1", "-1+cmd|' /C calc'!A0", "@SUM(A1)", "\t=1", "  =1", "\r=1", "\n=1", "\uff1d1",
     "\ufeff=1", "\0=1"],
)  # fmt: skip
def test_no_cell_of_a_csv_can_be_taken_for_a_formula(text):
    entry = Entry(text, 1, text, text, text, {"by": text})
    lines = "".join(csv_lines([Numbered(1, b"", entry)], SITE.calendar)).replace("\0", "")
    (row,) = list(csv.reader(io.StringIO(lines, newline="")))[1:]
    for cell in row:
        assert not cell.lstrip(" \u00a0\u200b\ufeff\0").startswith(tuple("=+-@\t\r\n\uff1d"))


def test_text_with_quotes_and_lines_comes_back_out_of_the_csv():
    text = 'he said "stop";\nthen, 5 mm'
    lines = "".join(csv_lines([Numbered(1, b"", Entry("e", 1, "m", "k", text))], SITE.calendar))
    (row,) = csv.DictReader(io.StringIO(lines, newline=""))
    assert text == row["text"]


def test_daemon_writes_while_the_log_is_verified(lived):
    """A writer in another connection does not make a whole log look cut off."""
    path = lived.folder / "journal.db"
    db = sqlite3.connect(path)
    db.execute("BEGIN IMMEDIATE")
    assert verify(path).whole
    db.rollback()
    db.close()
