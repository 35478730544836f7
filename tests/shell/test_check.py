"""`condmon check` as a person runs it."""

import json
from pathlib import Path

import pytest

from condmon.cli import main
from condmon.engine.roles import ROLES

EXAMPLE = Path(__file__).parents[2] / "deploy" / "condmon.toml"
SMALL = """\
[site]
name = "North Pier Optics"
timezone = "Europe/Oslo"
[[machine]]
id = "mill-1"
[machine.signal.power]
topic = "pier/power"
role = "power"
[machine.signal.air_flow]
topic = "pier/air"
role = "air_flow"
[machine.adjust.sensor-unusable]
enabled = false
"""


@pytest.fixture
def small(tmp_path: Path) -> Path:
    file = tmp_path / "condmon.toml"
    file.write_text(SMALL)
    return file


def lines(text: str) -> list[dict]:
    return [json.loads(line) for line in text.splitlines()]


def test_a_good_file_is_told_readably(small: Path, capsys: pytest.CaptureFixture[str]):
    assert 0 == main(["check", "-c", str(small)])
    out, err = capsys.readouterr()
    assert "" == err
    assert "mill-1 (mill-1): 2 signals" in out
    assert "air-while-off (today, after" in out
    assert "switched off: sensor-unusable" in out
    assert "oil-missing: needs" not in out.split("possible with one more signal:")[0]
    assert f"{small} can be used: North Pier Optics, 1 machine, 2 signals, 4 checks, 0 warn" in out
    assert "Messages go nowhere yet" in out


def test_a_good_file_is_told_to_programs(small: Path, capsys: pytest.CaptureFixture[str]):
    assert 0 == main(["check", "-c", str(small), "--json"])
    machine, summary = lines(capsys.readouterr().out)
    assert ("machine", "mill-1") == (machine["kind"], machine["id"])
    assert ["power", "air_flow"] == [one["signal"] for one in machine["signals"]]
    found = ["air-while-off", "air-leak", "odd-pattern", "sensor-silent"]
    assert found == [one["check"] for one in machine["checks"]]
    assert ["sensor-unusable"] == machine["off"]
    assert ("summary", 1, 2, 4) == tuple(
        summary[key] for key in ("kind", "machines", "signals", "checks")
    )


def test_problems_go_to_stderr_and_the_exit_code_is_2(
    small: Path, capsys: pytest.CaptureFixture[str]
):
    small.write_text(SMALL.replace('"air_flow"', '"air_flo"').replace("Oslo", "Osl"))
    assert 2 == main(["check", "-c", str(small)])
    out, err = capsys.readouterr()
    assert "" == out
    first, second, last = err.splitlines()
    assert first.startswith(f"{small}:3: [site] timezone:")
    assert second.startswith(f"{small}:11: [machine.signal.air_flow] role:")
    assert "2 problems; condmon does not start with this file." == last


def test_problems_are_told_to_programs(small: Path, capsys: pytest.CaptureFixture[str]):
    small.write_text(SMALL.replace("Oslo", "Osl"))
    assert 2 == main(["check", "-c", str(small), "--json"])
    out, err = capsys.readouterr()
    assert "" == err
    (problem,) = lines(out)
    assert "problem" == problem["kind"]
    assert "[site] timezone:" in problem["text"]


def test_warnings_do_not_stop_the_start(small: Path, capsys: pytest.CaptureFixture[str]):
    small.write_text(SMALL.replace('timezone = "Europe/Oslo"\n', ""))
    assert 0 == main(["check", "-c", str(small)])
    out = capsys.readouterr().out
    assert "Warnings (condmon starts all the same):" in out
    assert f"  {small}:1: [site]: no timezone is given, so UTC is used" in out
    assert "1 warning\n" in out


def test_a_missing_file_is_told_without_a_traceback(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    assert 2 == main(["check", "-c", str(tmp_path / "none.toml")])
    assert "none.toml: the configuration cannot be read: No such file" in capsys.readouterr().err


def test_the_file_of_the_folder_is_taken_when_none_is_named(
    small: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.chdir(small.parent)
    assert 0 == main(["check"])
    assert "condmon.toml can be used" in capsys.readouterr().out


def test_the_example_gets_every_check_of_a_machine(capsys: pytest.CaptureFixture[str]):
    assert 0 == main(["check", "-c", str(EXAMPLE), "--json"])
    mill, other, _summary = lines(capsys.readouterr().out)
    assert ["control-alarm"] == [one["check"] for one in mill["possible"]]
    assert other["possible"], "the small machine shows what one more signal would bring"
    assert {one["role"] for one in mill["signals"]} <= {*ROLES, None}


def test_machine_with_three_cheap_sensors_gets_its_checks_and_is_told_what_one_more_would_bring(
    small: Path, capsys: pytest.CaptureFixture[str]
):
    head = SMALL.split("[machine.signal.air_flow]")[0]
    small.write_text(
        head
        + """\
[machine.signal.bearing]
topic = "pier/bearing"
role = "bearing_temperature"
[machine.signal.air]
topic = "pier/air"
role = "air_pressure"
"""
    )
    assert 0 == main(["check", "-c", str(small), "--json"])
    machine, summary = lines(capsys.readouterr().out)
    on = {one["check"] for one in machine["checks"]}
    assert {"air-down", "air-bleed-down", "sensor-silent", "sensor-unusable"} <= on
    possible = {one["check"]: one["text"] for one in machine["possible"]}
    assert "role spindle_speed" in possible["bearing-hot"]
    assert "bearing: trip" in possible["bearing-near-trip"]
    assert "air_flow or air_valve" in possible["air-while-off"]
    itself = {one["check"]: one["title"] for one in summary["itself"]["checks"]}
    assert {"condmon-link", "condmon-health"} == set(itself)
    assert "condmon itself needs attention" == itself["condmon-health"]


def test_letters_a_terminal_obeys_are_escaped(small: Path, capsys: pytest.CaptureFixture[str]):
    small.write_text(SMALL.replace("pier/air", "pier/\u202eair"))
    assert 0 == main(["check", "-c", str(small)])
    assert "pier/\\u202eair" in capsys.readouterr().out


def test_a_sensor_of_another_machine_is_compared_where_it_is_listed_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    room = (
        '[machine.signal.{0}]\ntopic = "pier/{1}/room"\nrole = "room_temperature"\nunit = "Cel"\n'
    )
    file = tmp_path / "condmon.toml"
    file.write_text(
        '[site]\nname = "North Pier Optics"\n[broker]\nurl = "mqtt://127.0.0.1:1883"\n'
        '[[machine]]\nid = "mill-1"\nname = "Mill"\n' + room.format("room", "mill-1")
        + '[[machine]]\nid = "mill-2"\nname = "Small mill"\n' + room.format("room", "mill-2")
        + room.format("room_at_mill_1", "mill-1") + 'place = "at mill-1"\n'
    )  # fmt: skip
    assert 0 == main(["check", "-c", str(file)])
    told = capsys.readouterr().out
    assert "two like sensors drift apart [room/room_at_mill_1]" in told
