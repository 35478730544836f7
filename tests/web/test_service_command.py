"""`condmon service` against a running daemon: what is filed is in book, log and alerts."""

import json

import pytest

from condmon.cli import main
from tests.waiting import until
from tests.web.test_pages import photo_file


@pytest.fixture
def run(house, capsys):
    """Run `condmon service` on the house's configuration: exit code, JSON lines, errors."""

    def command(*words: str):
        code = main(["service", "-c", str(house.config_path), "--json", *words])
        told = capsys.readouterr()
        return code, [json.loads(line) for line in told.out.splitlines()], told.err

    return command


def by_key(answer) -> dict[str, dict]:
    """The rows of a command by what they are about."""
    code, rows, _ = answer
    assert 0 == code
    return {row["key"]: row for row in rows if "key" in row}


def words_of(house, capsys, *words: str) -> str:
    assert 0 == main(["service", "-c", str(house.config_path), *words])
    return capsys.readouterr().out


def test_component_is_added_installed_exchanged_and_keeps_its_life(house, run):
    code, [added, built_in], _ = run("add", "Coolant pump", "--serial", "NP-7", "--used",
                                     "hours_on=4100", "--machine", "mill-1", "--place",
                                     "coolant pump")  # fmt: skip
    assert 0 == code
    assert ("component", "coolant-pump") == (added["what"], added["key"])
    assert "(command line)" in built_in["by"]
    assert 0 == run("add", "Coolant pump", "--key", "pump-b")[0]
    code, rows, _ = run("exchange", "coolant-pump", "pump-b", "--text", "it hums")
    assert 0 == code
    assert ["removed", "installed"] == [row["what"] for row in rows]
    _, [old], _ = run("show", "coolant-pump")
    assert ("exchange", "NP-7") == (old["where"], old["serial"])
    assert 4100 <= old["life"]["hours_on"] < 4101
    assert 2 == len(old["moves"])
    new = by_key(run("list", "--where", "installed"))["pump-b"]
    assert ("mill-1", "coolant pump") == (new["machine"], new["place"])
    assert 0 == run("return", "coolant-pump", "--renewed", "--serial", "NP-8")[0]
    _, [back], _ = run("show", "coolant-pump")
    assert ({}, 4100) == (back["life"], round(back["life_before"]["hours_on"]))


def test_task_is_added_due_done_and_its_alert_ends(house, run):
    code, _, _ = run("task", "mill-1", "Wipers", "--sort", "inspection", "--every", "days=30",
                     "--lead", "days=5", "--used", "days=27", "--unit", "mm", "--high", "2",
                     "--do", "Look at the lips.")  # fmt: skip
    assert 0 == code
    due = by_key(run("due"))["wipers"]
    assert ("soon", "3 of 30 days left") == (due["standing"], due["left"])
    [alert] = [a for a in house.alerts(check="service-due") if a.facts["task"] == "wipers"]
    code, [entry], _ = run("inspected", "wipers", "watch", "--reading", "2.5", "--text", "one torn")
    assert 0 == code
    assert "inspected, watch: Wipers (wipers), reading 2.5 mm (above 2): one torn" == entry["text"]
    until(lambda: house.alerts(id=alert.id)[0].ended_us, 10, "the alert is over")
    assert "normal" == house.alerts(id=alert.id)[0].state
    assert "wipers" not in by_key(run("due"))
    assert "wipers" in by_key(run("due", "--within", "40 d"))
    assert "wipers" not in by_key(run("due", "--within", "20 d"))
    assert 0 == run("task", "mill-1", "--key", "wipers", "--every", "days=60")[0]
    _, [shown], _ = run("show", "wipers")
    assert ("Wipers", ["Look at the lips."], "mm") == (shown["title"], shown["do"], shown["unit"])
    assert [60] == [limit["of"] for limit in shown["limits"]]
    assert [("watch", 2.5)] == [(d["what"], d["reading"]) for d in shown["doings"]]


def test_a_photo_goes_along_and_one_that_cannot_be_read_is_refused(house, run, tmp_path):
    assert 0 == run("task", "mill-1", "Covers", "--sort", "inspection", "--every", "days=90")[0]
    picture = tmp_path / "p.jpg"
    picture.write_bytes(photo_file())
    assert 0 == run("inspected", "covers", "good", "--photo", str(picture))[0]
    [doing] = run("show", "covers")[1][0]["doings"]
    assert (house.config.store.path / "photos" / f"{doing['photo']}.jpg").is_file()
    picture.write_bytes(b"no picture")
    code, _, err = run("inspected", "covers", "good", "--photo", str(picture))
    assert (2, True) == (code, "cannot be read" in err)
    assert 2 == run("done", "covers", "--photo", str(tmp_path / "none.jpg"))[0]


def test_what_was_done_some_days_ago_counts_from_then(house, run):
    assert 0 == run("task", "mill-1", "Mats", "--every", "days=60", "--used", "days=50")[0]
    assert 6 == run("show", "mats")[1][0]["limits"][0]["lead"]
    day = house.config.settings.calendar.text(house.clock.now_us() - 5 * 86_400_000_000)[:10]
    assert 0 == run("done", "mats", "--on", day)[0]
    [task] = run("show", "mats")[1]
    assert 5 <= task["limits"][0]["used"] < 6.1
    assert 2 == run("done", "mats", "--on", "2020-01-01")[0]
    assert 2 == run("done", "mats", "--on", "yesterday")[0]


def test_an_edited_starter_set_is_loaded_from_a_file(house, run, tmp_path):
    rows = run("starter", "mill-1")[1][:3]
    rows[0]["every"] = {"days": 11}
    file = tmp_path / "tasks.jsonl"
    file.write_text("\n".join(json.dumps(row) for row in rows) + "\n\n")
    code, filed, _ = run("load", "mill-1", str(file))
    assert (0, 3) == (code, len(filed))
    assert 11 == run("show", rows[0]["key"])[1][0]["limits"][0]["of"]
    file.write_text('{"title": "no key"}')
    code, _, err = run("load", "mill-1", str(file))
    assert (2, True) == (code, "line 1" in err)
    file.write_text('{"key": "x", "title": "y", "sort": "service", "colour": 1}')
    code, _, err = run("load", "mill-1", str(file))
    assert (2, True) == (code, "no field colour" in err)


def test_skipping_needs_a_reason_and_is_counted(house, run):
    assert 0 == run("task", "mill-2", "Belt", "--every", "hours_on=500")[0]
    code, _, err = run("skip", "belt", "")
    assert 2 == code
    assert "text is missing" in err
    assert 0 == run("skip", "belt", "no belt here today")[0]
    assert 1 == run("show", "belt")[1][0]["skipped"]
    assert 0 == run("retire", "belt")[0]
    assert "belt" not in [row["key"] for row in run("tasks")[1]]


def test_starter_set_is_shown_then_taken_over_once(house, run):
    _, shown, _ = run("starter", "mill-2")
    code, added, _ = run("starter", "mill-2", "--add")
    assert 0 == code
    assert [row["key"] for row in shown] == [row["key"] for row in added]
    assert (0, []) == run("starter", "mill-2", "--add")[:2]
    tasks = [row["key"] for row in run("tasks", "--machine", "mill-2")[1]]
    assert set(tasks) >= {row["key"] for row in shown}


def test_people_read_lines_with_cautions(house, run, capsys):
    assert 0 == run("task", "mill-1", "Hoses", "--every", "days=90", "--caution", "Oil jets.",
                    "--do", "Feel for sweat.", "--source", "our own list")[0]  # fmt: skip
    out = words_of(house, capsys, "show", "hoses")
    for part in ("Hoses (mill-1)", "- Feel for sweat.", "CAUTION: Oil jets.", "our own list"):
        assert part in out
    assert "hours with the spindle turning" in words_of(house, capsys, "starter", "mill-1")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("install", "nothing", "mill-1", "p"), 'no component "nothing"'),
        (("install", "nothing", "mill-9", "p"), 'no machine "mill-9"'),
        (("done", "nothing"), 'no task "nothing"'),
        (("show", "nothing"), "neither component nor task"),
        (("task", "mill-1", "X", "--every", "parsecs=3"), '"parsecs" is no measure'),
        (("task", "mill-1", "X", "--every", "days=soon"), "a number after the ="),
        (("due", "--within", "ever"), "give a time"),
        (("add", "X", "--machine", "mill-1"), "--place together"),
        (("add", "X" * 100), "name must be"),
    ],
)
def test_what_makes_no_sense_is_refused_with_exit_code_2(run, words, said):
    code, out, err = run(*words)
    assert (2, []) == (code, out)
    assert said in err


def test_without_a_daemon_nothing_is_filed_and_it_is_said(tmp_path, house, capsys):
    config = tmp_path / "condmon.toml"
    config.write_text(house.config_path.read_text())
    assert 1 == main(["service", "-c", str(config), "list"])
    assert "there is no journal" in capsys.readouterr().err
