"""`condmon log`, `condmon user`, `condmon pair`: the same acts and accounts without a page."""

import io
import json
import re

import pytest

from condmon.cli import main
from condmon.daemon.asked import FOLDER, Asked, ask
from condmon.engine.records import Action
from tests.waiting import until
from tests.web.house import PASSWORD, House


@pytest.fixture
def run(house, capsys):
    """Run a command on the house's configuration: exit code, standard output, errors."""

    def command(word: str, *words: str):
        code = main([word, "-c", str(house.config_path), *words])
        told = capsys.readouterr()
        return code, told.out, told.err

    return command


def test_a_note_from_the_command_line_is_in_the_log_with_its_writer(house, run):
    code, out, _ = run("log", "note", "mill-1", "belt looked at")
    assert 0 == code
    assert "belt looked at" in out
    assert "(command line)" in out
    code, out, _ = run("log", "show", "--machine", "mill-1")
    assert "belt looked at" in out


def test_an_alert_is_acknowledged_shelved_and_explained_from_the_command_line(house, run):
    alert = house.raise_alert()
    assert 0 == run("log", "ack", alert.id)[0]
    assert "active_acknowledged" == house.alerts(id=alert.id)[0].state
    code, out, _ = run("log", "ack", alert.id)
    assert 1 == code
    assert "was refused" in out
    assert 0 == run("log", "shelve", alert.id, "--for", "8 h")[0]
    assert "shelved" == house.alerts(id=alert.id)[0].state
    code, out, _ = run("log", "unshelve", alert.id)
    assert 0 == code
    assert 0 == run("log", "out", "mill-1", "nose-bearing-hot", "sensor is being changed")[0]
    assert "out_of_service" == house.alerts(id=alert.id)[0].state
    assert 0 == run("log", "back", "mill-1", "nose-bearing-hot")[0]
    code, out, _ = run("log", "--json", "cause", alert.id, "kinked line")
    assert "kinked line" in json.loads(out)["text"]
    assert "kinked line" == house.alerts(id=alert.id)[0].cause


@pytest.mark.parametrize("words", [("note", "mill-9", "x"), ("note", "mill-1", " "),
                                   ("shelve", "a", "--for", "9 d"), ("shelve", "a", "--for", "x"),
                                   ("cause", "a", ""), ("note", "\udcff", "x")])  # fmt: skip
def test_what_makes_no_sense_is_refused_with_exit_code_2(run, words):
    code, out, err = run("log", *words)
    assert 2 == code
    assert "" == out
    assert err.startswith("condmon: ")


def test_without_a_daemon_nothing_is_done_and_that_is_said(tmp_path, capsys):
    house = House(tmp_path)
    house.start()
    house.stop()
    assert 1 == main(["log", "-c", str(house.config_path), "note", "mill-1", "x"])
    assert "nothing was done" in capsys.readouterr().err
    assert not (house.config.store.path / FOLDER).exists()


def test_what_is_asked_is_taken_up_once_and_rubbish_is_passed_over(tmp_path):
    taken = []
    asked = Asked(tmp_path, taken.append)
    assert 0 == asked.look()
    actions = [Action(2, "note", "ben", machine="mill-1", text="b"), Action(1, "note", "ben")]
    for action in actions:
        ask(tmp_path, action)
    for number, rubbish in enumerate(
        [b"{", b"[1]", b'{"at_us": 1, "fly": 2}', b"\xff", b"x" * 9000]
    ):
        (tmp_path / FOLDER / f"9{number}.json").write_bytes(rubbish)
    (tmp_path / FOLDER / "half.new").write_bytes(b"{")
    asked.look()
    assert sorted(actions, key=lambda a: a.at_us) == taken
    assert ["half.new"] == [p.name for p in (tmp_path / FOLDER).iterdir()]


def test_accounts_are_made_changed_and_removed_beside_the_daemon(house, run, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{PASSWORD}\n"))
    assert (0, "jon was added as operator\n") == run("user", "add", "Jon", "--role", "operator")[:2]
    assert "jon" == house.parts.accounts.password_fits("jon", PASSWORD)
    cookie = house.parts.accounts.sign_in("jon", "phone", "10.0.0.9")
    assert 0 == run("user", "role", "jon", "viewer")[0]
    assert "viewer" == house.parts.accounts.phone(cookie).role
    out = run("user", "list")[1]
    assert re.search(r"jon +viewer +password\n    phone from 10.0.0.9", out)
    assert 0 == run("user", "sign-out", "jon")[0]
    assert house.parts.accounts.phone(cookie) is None
    assert 0 == run("user", "remove", "jon")[0]
    code, _, err = run("user", "remove", "jon")
    assert 2 == code
    assert 'no account "jon"' in err


def test_what_the_command_line_does_to_accounts_stands_in_the_log(house, run):
    assert 0 == run("user", "add", "mona", "--no-password")[0]
    assert 0 == run("pair", "mona")[0]
    assert 0 == run("user", "remove", "mona")[0]

    def told() -> str:
        return run("log", "show", "--machine", "condmon")[1]

    for words in ("mona was added as viewer", "a code to pair a phone for mona was made",
                  "mona was removed"):  # fmt: skip
        until(
            lambda words=words: re.search(rf"{words} +\(.* \(command line\)\)", told()), 10, words
        )


def test_a_weak_password_is_refused_and_no_account_is_made(house, run, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO("short\n"))
    code, _, err = run("user", "add", "kim")
    assert 2 == code
    assert "10 to 200" in err
    assert "kim" not in {a.name for a in house.parts.accounts.all()}


def test_a_pairing_code_of_the_command_line_signs_a_phone_in_once(house, run):
    house.member("lea", "viewer")
    code, out, _ = run("pair", "lea")
    assert 0 == code
    link = re.search(r"http://127.0.0.1:\d+/pair\?code=(\S+)", out)
    assert 303 == house.client().post("/pair", data={"code": link[1]}).status_code
    assert 403 == house.client().post("/pair", data={"code": link[1]}).status_code


def test_without_a_web_section_there_are_no_accounts(house, tmp_path, capsys):
    text = re.sub(r"\[web\].*?\[plan", "[plan", house.config_path.read_text(), flags=re.DOTALL)
    (tmp_path / "condmon.toml").write_text(text)
    assert 2 == main(["user", "-c", str(tmp_path / "condmon.toml"), "list"])
    assert "[web]" in capsys.readouterr().err
