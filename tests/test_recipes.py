"""Every check against its recipes: one that must raise it, a healthy one that must not.

python -m tests.test_recipes --write      writes the table of check x recipe in replay/README.md
"""

import importlib
import re
import sys
import tempfile
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest

from condmon.engine.checks.axis_trace import AxisTrace
from condmon.engine.checks.axis_zone import AxisZone
from condmon.engine.checks.base import Check
from condmon.engine.checks.bearing_hot import BearingHot
from condmon.engine.checks.book import CHECKS
from condmon.engine.checks.odd_pattern import OddPattern
from condmon.engine.checks.probe_shift import ProbeShift
from condmon.engine.checks.slow import Slow
from condmon.engine.outputs import Alert, Message
from condmon.engine.words import span
from condmon.plant import __main__ as maker
from condmon.plant import load_recipe
from tests.shell.test_days import RECIPES, REPLAY, compare, outcome_of, recipe_path

ROOT = REPLAY.parent
LONG_US = 30 * 3600 * 1_000_000
DOCUMENT = REPLAY / "README.md"
HEAD = "| check | recipe | raised after onset | messages in that recipe | healthy recipe |\n"
ELSEWHERE = {  # what no recipe of the simulated shop can raise -> the test that does
    "condmon-link": "tests/engine/test_checks_condmon.py",
    "condmon-health": "tests/engine/test_checks_condmon.py",
    "bearing-warming": "tests/test_shop_weeks.py",
    "service-due": "tests/engine/test_service_tasks.py",
}
ONSETS = {  # the fault that a check answers to, in recipes with several
    "chiller-short-cycling": "chiller-hunts",
    "hydraulic-sagging": "hydraulic-leak",
    "axis-unlike": "axis-drag",
    "vibration-risen": "vibration",
    "way-oil-falling": "way-oil-lost",
    "way-oil-unused": "way-oil-stuck",
    "air-leak": "air-leak",
    "air-bleed-down": "air-leak",
    "sensor-noisy": "sensor-noise",
    "sensors-swapped": "bearings-swapped",
    "axis-trace": "axis-stroke",
    "probe-shift": "probe-shift",
    "sensor-drift": "sensor-offset",
    "oil-missing": "oil-pulses-stop",
    "coolant-off-set-point": "chiller-weak",
    "state-contradicts": "sensor-stuck",
    "sensor-stuck": "sensor-stuck",
    "bearing-hot": "bearing-friction",
    "odd-pattern": "sensor-offset",
}


class Row(NamedTuple):
    """One line of the table."""

    check: str
    recipe: str
    delay_s: float
    messages: int
    healthy: str


@cache
def outcome(name: str) -> tuple[list[Alert], list[Message]]:
    """Make the recording of a recipe and replay it, once."""
    recipe = load_recipe(recipe_path(name))
    with tempfile.TemporaryDirectory() as folder:
        recording = Path(folder) / f"{name}.jsonl"
        recording.write_bytes(b"".join(maker.lines(recipe)))
        return outcome_of(recording, recipe.learn_us)


def is_long(name: str) -> bool:
    """Several days: the checks that compare with days before."""
    return load_recipe(recipe_path(name)).length_us > LONG_US


def by_length(name: str):
    return pytest.param(name, marks=pytest.mark.long) if is_long(name) else name


@pytest.mark.slow
@pytest.mark.parametrize("name", [by_length(name) for name in RECIPES])
def test_recipe_raises_what_it_must_and_nothing_else(name: str):
    recipe = load_recipe(recipe_path(name))
    assert [] == compare(outcome(name)[0], recipe.must, recipe.may)


def rows(names: Iterable[str] = RECIPES) -> list[Row]:
    """The table, from the recipes as they run."""
    found = []
    for check in CHECKS:
        for name in names:
            recipe = load_recipe(recipe_path(name))
            for must in recipe.must:
                if must.check != check.id:
                    continue
                alerts, messages = outcome(name)
                raised = min(
                    a.raised_us
                    for a in alerts
                    if (a.machine, a.check) == (must.machine, must.check)
                )
                onsets = [
                    f.onset_us
                    for f in recipe.faults
                    if f.machine == must.machine and ONSETS.get(check.id, f.fault) == f.fault
                ]
                delay_s = (raised - max(at for at in onsets if at <= raised)) / 1e6
                found.append(Row(check.id, name, delay_s, len(messages), healthy_of(check)))
    return found


def healthy_of(check: type[Check]) -> str:
    """The healthy recipe that is long enough for a check to have an opinion."""
    if issubclass(check, BearingHot | OddPattern):
        return "weeks-of-work"
    compares = issubclass(check, Slow | AxisZone | AxisTrace | ProbeShift)
    return "healthy-week" if compares else "healthy-day"


def line(row: Row) -> str:
    return (
        f"| `{row.check}` | `{row.recipe}` | {span(row.delay_s)} | {row.messages} "
        f"| `{row.healthy}` |\n"
    )


def written() -> dict[tuple[str, str], tuple[str, int, str]]:
    """The table as it stands in the document."""
    text = DOCUMENT.read_text(encoding="utf-8").split(HEAD, 1)[1].split("\n\n", 1)[0]
    cells = re.findall(
        r"^\| `(\S+)` \| `(\S+)` \| (.+?) \| (\d+) \| `(\S+)` \|$", text, re.MULTILINE
    )
    return {
        (check, recipe): (delay, int(messages), healthy)
        for check, recipe, delay, messages, healthy in cells
    }


def test_every_check_has_a_module_a_recipe_pair_and_a_row():
    """What adding a check takes: one module, one recipe pair, one row."""
    raised = {must.check for name in RECIPES for must in load_recipe(recipe_path(name)).must}
    table = {check for check, _ in written()}
    told = set(re.findall(r"^\| `([a-z-]+)` \|", (ROOT / "README.md").read_text(), re.MULTILINE))
    for check in CHECKS:
        module = ROOT / "condmon/engine/checks" / f"{check.id.replace('-', '_')}.py"
        assert module.exists() or check.__module__.endswith(("sensors", "link_lost")), check.id
        assert check.id in told, f"{check.id} has no row in README.md"
        assert healthy_of(check) in RECIPES
        if check.id in ELSEWHERE:
            assert (ROOT / ELSEWHERE[check.id]).exists()
            assert check.id in (ROOT / ELSEWHERE[check.id]).read_text(), check.id
            continue
        assert check.id in raised, f"no recipe in replay/recipes must raise {check.id}"
        assert check.id in table, f"{check.id} has no row in replay/README.md"
    assert raised <= {check.id for check in CHECKS}


def test_every_check_that_has_a_module_is_in_the_book():
    """A module that nobody lists would be looked for by nobody."""
    written_: set[type[Check]] = set()
    for file in sorted((ROOT / "condmon/engine/checks").glob("*.py")):
        module = importlib.import_module(f"condmon.engine.checks.{file.stem}")
        found = [one for one in vars(module).values() if isinstance(one, type)]
        written_ |= {one for one in found if issubclass(one, Check) and one.id}
    assert {one.__name__ for one in CHECKS} == {one.__name__ for one in written_}


def test_nothing_is_listed_as_raised_elsewhere_that_a_recipe_raises():
    raised = {must.check for name in RECIPES for must in load_recipe(recipe_path(name)).must}
    assert set() == raised & set(ELSEWHERE)


@pytest.mark.slow
@pytest.mark.parametrize("long", [False, pytest.param(True, marks=pytest.mark.long)])
def test_table_of_checks_and_recipes_is_what_the_recipes_do(long):
    names = [name for name in RECIPES if is_long(name) == long]
    table = {key: cells for key, cells in written().items() if key[1] in names}
    made = {(row.check, row.recipe): row for row in rows(names)}
    assert set(made) == set(table)
    for key, row in made.items():
        assert (span(row.delay_s), row.messages, row.healthy) == table[key], key


def write() -> None:
    """Write the table anew."""
    text = DOCUMENT.read_text(encoding="utf-8")
    before, rest = text.split(HEAD, 1)
    after = rest.split("\n\n", 1)[1]
    lines = "".join(line(row) for row in rows())
    DOCUMENT.write_text(f"{before}{HEAD}|---|---|---|---|---|\n{lines}\n{after}", encoding="utf-8")


if __name__ == "__main__" and sys.argv[1:] == ["--write"]:
    write()
