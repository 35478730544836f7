"""Recorded days and recipes of the simulated shop against their truth: what is raised, and when."""

import json
import tomllib
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

import pytest

from condmon import capture
from condmon.cli import main
from condmon.clock import rfc3339
from condmon.commands.replay import replay
from condmon.config import load
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert, Message
from condmon.engine.records import SECOND_US
from condmon.learning.child import Learned, learned
from condmon.learning.first import inserted
from condmon.plant import __main__ as maker
from condmon.plant import load_recipe
from condmon.plant.recipe import May, Must

REPLAY = Path(__file__).resolve().parents[2] / "replay"
CONFIG = REPLAY / "condmon.toml"
RECIPES = sorted(path.stem for path in (REPLAY / "recipes").glob("*.toml"))
DAYS = sorted(path.name.removesuffix(".jsonl.zst") for path in (REPLAY / "days").glob("*.zst"))
DAY_BYTES_MAX = 1_500_000


def outcome_of(recording: Path, learn_us: int = 0) -> tuple[list[Alert], list[Message]]:
    """Replay a recording; each alert once, in its last state, in order of raising; messages.

    With `learn_us` as `condmon replay --learn` does: models from so much of it judge the rest.
    """
    config = load(CONFIG)
    notes = capture.Notes()
    last: dict[str, Alert] = {}
    messages: list[Message] = []
    batches = capture.read([recording], config.settings, notes)
    if learn_us:
        batches = inserted(batches, learn_us, lambda *span: models_of(recording, *span))
    for output in replay(batches, Engine(config.settings)):
        if isinstance(output, Alert):
            last[output.id] = output
        elif isinstance(output, Message):
            messages.append(output)
    assert [] == notes.warnings
    assert not notes.cut
    return sorted(last.values(), key=lambda alert: alert.raised_us), messages


def models_of(recording: Path, from_us: int, to_us: int) -> list[Learned]:
    """What is learned from a part of a recording, in the process that learns."""
    return learned(CONFIG, [recording], options=["--from", str(from_us), "--to", str(to_us)])


def alerts_of(recording: Path) -> list[Alert]:
    """Replay a recording; its alerts in order of raising."""
    return outcome_of(recording)[0]


def compare(alerts: list[Alert], must: Iterable[Must], may: Iterable[May]) -> list[str]:
    """Every way in which the alerts differ from the truth, in words; empty when they do not."""
    wrong = []
    allowed = {(one.machine, one.check) for one in may}
    for one in must:
        allowed.add((one.machine, one.check))
        raised = [a.raised_us for a in alerts if (a.machine, a.check) == (one.machine, one.check)]
        name = f"{one.machine} {one.check}"
        if not raised:
            wrong.append(f"{name} was not raised")
        elif not one.after_us <= raised[0] <= one.before_us:
            wrong.append(f"{name} was raised at {rfc3339(raised[0])}, not in its time")
        if len(raised) > one.most:
            wrong.append(f"{name} was raised {len(raised)} times, at most {one.most} are right")
    wrong += [
        f"{a.machine} {a.check} was raised at {rfc3339(a.raised_us)} and should be silent: {a.what}"
        for a in alerts
        if (a.machine, a.check) not in allowed
    ]
    return wrong


def instant(value: datetime) -> int:
    return round(value.timestamp()) * SECOND_US


@pytest.mark.parametrize("name", DAYS)
def test_recorded_day_raises_what_its_truth_says_and_nothing_else(name: str):
    truth = tomllib.loads((REPLAY / "days" / f"{name}.truth.toml").read_text())
    must = [
        Must(row["machine"], row["check"], instant(row["after"]), instant(row["before"]),
             row["most"])
        for row in truth.get("must", [])
    ]  # fmt: skip
    may = [May(row["machine"], row["check"]) for row in truth.get("may", [])]
    assert [] == compare(alerts_of(REPLAY / "days" / f"{name}.jsonl.zst"), must, may)


def test_comparison_finds_late_missing_repeated_and_unwanted_alerts():
    alerts = alerts_of(REPLAY / "days" / "air-left-on.jsonl.zst")
    (alert,) = alerts
    at = alert.raised_us
    right = Must("mill-1", "air-while-off", at, at)
    assert [] == compare(alerts, [right], [])
    assert 1 == len(compare(alerts, [Must("mill-1", "air-while-off", at + 1, at + 2)], []))
    assert 1 == len(compare(alerts, [Must("mill-1", "air-while-off", at, at, most=0)], []))
    assert 1 == len(compare([], [right], []))
    assert 1 == len(compare(alerts, [], []))
    assert [] == compare(alerts, [], [May("mill-1", "air-while-off")])


def test_there_are_a_healthy_day_and_two_with_faults():
    assert {"healthy-day", "air-left-on", "oil-and-chiller"} <= set(DAYS)


def test_healthy_recipes_have_neither_fault_nor_alert():
    healthy = [name for name in RECIPES if name.startswith("healthy")]
    assert 3 <= len(healthy)
    for name in healthy:
        recipe = load_recipe(recipe_path(name))
        assert ((), (), ()) == (recipe.faults, recipe.must, recipe.may)


def test_recipe_says_from_how_much_of_it_models_are_learned():
    assert 12 * 86_400 * SECOND_US == load_recipe(recipe_path("learned-weeks")).learn_us
    assert 0 == load_recipe(recipe_path("healthy-day")).learn_us


def recipe_path(name: str) -> Path:
    return REPLAY / "recipes" / f"{name}.toml"


@pytest.mark.parametrize("name", DAYS)
def test_day_is_small_and_its_truth_is_that_of_its_recipe(name: str):
    assert DAY_BYTES_MAX > (REPLAY / "days" / f"{name}.jsonl.zst").stat().st_size
    written = (REPLAY / "days" / f"{name}.truth.toml").read_text()
    assert maker.truth_text(load_recipe(recipe_path(name)), f"{name}.toml") == written


def test_configuration_of_the_days_is_that_of_the_simulated_shop(
    capsys: pytest.CaptureFixture[str],
):
    assert 0 == maker.main(["--configuration"])
    assert capsys.readouterr().out == CONFIG.read_text()


def test_maker_writes_the_recording_and_its_truth(tmp_path: Path):
    short = tmp_path / "short.toml"
    short.write_text(recipe_path("link-lost").read_text().replace('for = "5 h"', 'for = "1 h"'))
    day = tmp_path / "short.jsonl.zst"
    assert 0 == maker.main([str(short), "-o", str(day)])
    recipe = load_recipe(short)
    batches = capture.read([day], load(CONFIG).settings, capture.Notes())
    samples = [record for batch in batches for record in batch if hasattr(record, "value")]
    payloads = [json.loads(line)["payload"] for line in maker.lines(recipe)]
    strokes = [json.loads(text)["v"] for text in payloads if text.startswith('{"v":[')]
    single = len(payloads) - len(strokes)
    assert single + sum(map(len, strokes)) == sum(len(record) for record in samples)
    assert maker.truth_text(recipe, "short.toml") == (tmp_path / "short.truth.toml").read_text()


@pytest.mark.parametrize(
    "words", [[], ["none.toml", "-o", "d.jsonl.zst"], ["none.toml", "-o", "d.csv"]]
)
def test_maker_tells_wrong_words(words: list[str], capsys: pytest.CaptureFixture[str]):
    assert 2 == maker.main(words)
    assert capsys.readouterr().err.startswith("condmon.plant: ")


def test_command_replays_a_day_and_ends_with_a_summary(capsys: pytest.CaptureFixture[str]):
    day = REPLAY / "days" / "air-left-on.jsonl.zst"
    assert 0 == main(["replay", str(day), "-c", str(CONFIG), "--json"])
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert ["alert", "message", "summary"] == [row["kind"] for row in rows]
    assert ("mill-1", "air-while-off") == (rows[0]["machine"], rows[0]["check"])
    assert 1 == rows[-1]["alerts"]
