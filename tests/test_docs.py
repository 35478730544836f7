"""What the documents say is what the program does: commands, checks, faults, files, version."""

import importlib
import re
from argparse import ArgumentParser
from pathlib import Path

import pytest

from condmon import __version__
from condmon.cli import COMMANDS
from condmon.engine.checks.base import Check
from condmon.engine.checks.book import CHECKS
from condmon.plant.recipe import FAULTS

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
REPLAY = (ROOT / "replay" / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def rows(text: str) -> dict[str, list[str]]:
    """Rows of all tables by the word in code that begins the first cell."""
    found = {}
    for line in text.splitlines():
        match = re.fullmatch(r"\| `([^`]+)`.*\|", line)
        if match:
            found[match[1]] = [cell.strip() for cell in line[1:-1].split("|")]
    return found


def section(title: str) -> str:
    """The text below one heading of README, up to the next of its rank."""
    return README.split(f"\n## {title}\n", 1)[1].split("\n## ", 1)[0]


def test_first_paragraph_states_the_job_and_that_it_only_watches():
    first = README.split("\n\n")[1]
    assert "MQTT" in first
    assert "only watches" in first


def test_both_commands_of_readme_are_there_and_can_be_run():
    block = section("Two commands")
    for name in ("deploy/try", "deploy/test"):
        assert name in block
        assert (ROOT / name).stat().st_mode & 0o100, f"{name} is not executable"


def test_test_command_of_readme_is_the_one_of_ci():
    assert "\ndeploy/test\n" in (ROOT / ".ci" / "run").read_text()


def test_every_command_has_a_row_and_no_row_is_of_no_command():
    words = {first.split()[1] for first in rows(section("Commands")) if first.startswith("condmon")}
    assert set(COMMANDS) == words


@pytest.mark.parametrize("command", COMMANDS)
def test_options_in_the_row_of_a_command_exist(command: str):
    parser = ArgumentParser()
    importlib.import_module(f"condmon.{COMMANDS[command][0]}").arguments(parser)
    known = {word for action in parser._actions for word in action.option_strings}
    (row,) = (r for first, r in rows(section("Commands")).items() if first.split()[1] == command)
    used = set(re.findall(r"(?<= )--?[a-z]+", row[0]))
    assert set() == used - known


def test_every_exit_code_is_told():
    told = re.findall(r"^\| (\d) \|", section("Commands"), re.MULTILINE)
    assert ["0", "1", "2"] == told


def test_every_shipped_check_has_a_row_and_no_row_is_of_no_check():
    assert {check.id for check in CHECKS} == set(rows(section("What it looks for")))


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.id)
def test_row_of_a_check_tells_its_urgency_and_figures_with_their_defaults(check: type[Check]):
    row = rows(section("What it looks for"))[check.id]
    assert check.urgency == row[-1]
    figures = dict(re.findall(r"`(\w+)` ([\d.]+)", row[3]))
    assert check.figures == {name: float(value) for name, value in figures.items()}


@pytest.mark.parametrize("check", [c for c in CHECKS if c.hold_s], ids=lambda check: check.id)
def test_row_of_a_check_tells_how_long_its_condition_must_hold(check: type[Check]):
    hold = f"{check.hold_s / 60:g} min" if check.hold_s % 30 == 0 else f"{check.hold_s:g} s"
    assert hold in rows(section("What it looks for"))[check.id][2]


def test_every_fault_of_the_simulated_shop_is_told_in_its_own_words():
    table = rows(REPLAY.split("## Which recipe raises which check", 1)[0])
    assert set(FAULTS) == {name for name in table if name in FAULTS}
    for name, words in FAULTS.items():
        assert words == table[name][1]


def test_every_recorded_day_is_told():
    days = {p.name.removesuffix(".jsonl.zst") for p in (ROOT / "replay/days").glob("*.zst")}
    assert days <= set(rows(REPLAY))


def test_files_and_tests_that_the_documents_name_exist():
    text = README + REPLAY + DEVELOPERS
    named = re.findall(r"(?<![\w./-])((?:deploy|tests|replay)/[\w./-]*\w)", text)
    modules = re.findall(r"-m (tests(?:\.\w+)+)", text)
    named += [f"{module.replace('.', '/')}.py" for module in modules]
    assert len(modules) > 10
    assert [] == sorted({name for name in named if not (ROOT / name).exists()})


def test_every_promise_and_every_wall_names_what_shows_it():
    promises = [row for row in section("What it promises, and how to see it").splitlines()
                if row.startswith("| ")][1:]  # fmt: skip
    walls = [row for row in DEVELOPERS.split("\n## Whom it lets in\n", 1)[1].split("\n## ", 1)[0]
             .splitlines() if row.startswith("| ")][1:]  # fmt: skip
    assert len(promises) > 40
    assert len(walls) > 10
    shown = re.compile(r"`[^`]*(deploy/(test|audit)|tests[/.])[^`]*`")
    assert [] == [row for row in promises + walls if not shown.search(row.split("|")[-2])]


def test_options_of_a_bench_in_the_promises_are_its_own():
    promises = section("What it promises, and how to see it")
    for command in re.findall(r"`([^`]*tests[./]bench[^`]*)`", promises):
        name = re.search(r"bench[./](\w+)", command)
        assert name, command
        source = (ROOT / "tests" / "bench" / f"{name[1]}.py").read_text()
        assert [] == [o for o in re.findall(r"--[a-z]+", command) if f'"{o}"' not in source]


def test_newest_change_is_of_this_version():
    headings = re.findall(r"^### (\S+)", section("Changes"), re.MULTILINE)
    assert __version__ == headings[0]
    assert sorted(headings, reverse=True) == headings


def test_unit_starts_the_command_of_readme_without_root():
    unit = (ROOT / "deploy" / "condmon.service").read_text()
    assert "ExecStart=/opt/condmon/bin/condmon run " in unit
    assert "User=condmon" in unit
    assert "Type=notify" in unit
    assert re.search(r"^WatchdogSec=\d+$", unit, re.MULTILINE)
    assert "StateDirectory=condmon" in unit
