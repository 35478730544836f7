"""The log on the page: search, one entry with its correction, the report to take along."""

import json
import re
from urllib.parse import quote

import pytest

from condmon.ledger.verify import verify


@pytest.fixture
def owner(house):
    return house.client(house.member("ben", "operator", ""))


def note(house, owner, text: str) -> int:
    """Write a note; its number."""
    owner.post("/log", data={"machine": "mill-1", "text": text})
    with house.parts.reader() as reader:
        (found,) = (e for e in reader.entries(20) if e.text == text)
        return reader.entry_named(found.id).seq


@pytest.mark.parametrize("words", ["", "belt", '" OR 1', "NEAR(", "*", "%", "'", "\x00", "日本"])
def test_any_words_give_a_page(house, owner, words):
    answer = owner.get(f"/log?words={quote(words)}")
    assert 200 == answer.status_code
    assert "<h1>Log</h1>" in answer.text


def test_words_are_found_as_they_begin_whatever_their_order(house, owner):
    note(house, owner, "drive belt of the coolant pump tightened")
    assert "drive belt" in owner.get("/log?words=tight+belt").text
    assert "drive belt" not in owner.get("/log?words=ighten").text
    assert "drive belt" in owner.get("/log?words=belt&kind=action&machine=mill-1").text
    assert "drive belt" not in owner.get("/log?words=belt&kind=duty").text


def test_an_entry_is_put_right_by_another_and_both_pages_say_so(house, owner):
    number = note(house, owner, "seal of the X axis torn")
    page = owner.get(f"/log/{number}")
    assert "seal of the X axis torn" in page.text
    assert re.search(r"<code>[0-9a-f]{64}</code>", page.text)
    answer = owner.post(f"/log/{number}", data={"text": "it was the Y axis"})
    assert 303 == answer.status_code
    page = owner.get(f"/log/{number}").text
    assert "seal of the X axis torn" in page
    assert "it was the Y axis" in page
    later = int(re.search(r"Entry (\d+)</a>", page)[1])
    assert "It corrects" in owner.get(f"/log/{later}").text
    assert verify(house.parts.folder / "journal.db").whole


def test_an_empty_correction_and_an_unknown_entry_are_refused(house, owner):
    number = note(house, owner, "way cover wiped")
    assert 400 == owner.post(f"/log/{number}", data={"text": "  "}).status_code
    assert 404 == owner.post("/log/999999", data={"text": "x"}).status_code
    assert [404] * 3 == [owner.get(f"/log/{x}").status_code for x in ("999999", "x", "%00")]


def test_a_viewer_reads_and_writes_no_correction(house, owner):
    number = note(house, owner, "chip tray emptied")
    viewer = house.client(house.member("vera", "viewer", ""))
    assert "Put it right" not in viewer.get(f"/log/{number}").text
    assert 403 == viewer.post(f"/log/{number}", data={"text": "x"}).status_code


def test_the_report_comes_as_a_file_and_the_watch_goes_on(house, owner):
    note(house, owner, "before the report")
    day = house.parts.wording().whole(house.clock.now_us())[:10]
    answer = owner.get(f"/log/report?machine=mill-1&first={day}&last={day}")
    assert 200 == answer.status_code, answer.text
    assert (
        f'attachment; filename="mill-1-{day}-{day}.html"' == answer.headers["Content-Disposition"]
    )
    assert "Is the log as it was written?" in answer.text


@pytest.mark.parametrize(
    ("asked", "status"),
    [
        ("machine=mill-9&first=2026-11-25&last=2026-11-25", 404),
        ("machine=mill-1&first=soon&last=2026-11-25", 400),
        ("machine=mill-1&first=2026-11-25&last=2026-11-01", 400),
        ("machine=mill-1&first=2026-01-01&last=2026-11-01", 400),
        ("machine=mill-1&first=2020-01-01&last=2020-01-01", 400),
        ("machine=mill-1", 422),
        ("machine=--help&first=2026-11-25&last=2026-11-25", 404),
    ],
)
def test_a_report_that_cannot_be_made_is_refused_in_words(house, owner, asked, status):
    answer = owner.get(f"/log/report?{asked}")
    assert status == answer.status_code
    assert "Traceback" not in answer.text
    assert "<h1>" in answer.text


def test_half_characters_of_a_terminal_are_no_trouble(house, capsys):
    from condmon.cli import main

    start = ["log", "-c", str(house.config_path)]
    assert 0 == main([*start, "note", "mill-1", "belt \udcff loose"])
    assert "belt ? loose" in capsys.readouterr().out
    assert 1 == main([*start, "ack", "\udcff"])
    assert 0 == main([*start, "show", "--words", "\udcff", "--machine", "\udcff"])
    assert 2 == main([*start, "correct", "\udcff", "x"])


def test_entries_of_the_json_lines_carry_number_and_hash(house, owner, capsys):
    from condmon.cli import main

    number = note(house, owner, "spindle wiped")
    main(["log", "-c", str(house.config_path), "--json", "show", "--words", "spindle wiped"])
    (row,) = map(json.loads, capsys.readouterr().out.splitlines())
    assert number == row["number"]
    assert row["hash"] in owner.get(f"/log/{number}").text
