"""Learning in a child process: from files, from what was recorded, and what goes wrong."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from condmon.engine.oddmodel import read_model
from condmon.engine.records import SECOND_US
from condmon.learning import child
from condmon.learning.child import LearningError, learned
from condmon.store.recorder import Recorder
from tests.engine.test_odd_pattern import DAY0_US, DAY_MIN, PARTS, SHOP, minutes

DAYS = 8
CONFIG = """
[site]
name = "North Pier Optics"
timezone = "Europe/Oslo"

[broker]
url = "mqtt://127.0.0.1:1883"

[store]
path = "{store}"

[[machine]]
id = "mill-1"
name = "Mill"
"""


def odd(*args, **more):
    """What is said of the odd pattern alone."""
    return [made for made in learned(*args, time_max_s=300, **more) if made.model == "odd"]


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A folder with a configuration, a store with eight days, and the same days as a capture."""
    folder = tmp_path_factory.mktemp("shop")
    signals = "".join(
        f'[machine.signal.{name}]\ntopic = "pier/mill-1/{name}"\nrole = "{role}"\n'
        for name, role in PARTS
    )
    (folder / "condmon.toml").write_text(CONFIG.format(store=folder / "store") + signals)
    batches = minutes(DAYS)
    recorder = Recorder(folder / "store", SHOP.signals, lambda: DAY0_US)
    for start in range(0, len(batches), 360):
        recorder.append([record for batch in batches[start : start + 360] for record in batch])
    recorder.close()
    lines = ["time,machine,signal,value"]
    for taken, _ in batches:
        at = taken.arrived_us[0] / SECOND_US
        lines += [
            f"{at:.0f},mill-1,{PARTS[i][0]},{value}"
            for i, value in zip(taken.signal.tolist(), taken.value.tolist(), strict=True)
        ]
    (folder / "days.csv").write_text("\n".join(lines) + "\n")
    return folder


@pytest.mark.slow
def test_a_model_is_learned_from_a_capture_and_from_the_store_alike(shop):
    found = [odd(shop / "condmon.toml", files) for files in ([shop / "days.csv"], [])]
    for (made,) in found:
        assert ("mill-1", "odd") == (made.machine, made.model)
        assert "odd pattern learned: off from" in made.words
        model = read_model(made.content)
        assert made.id == model.id
        assert {"off", "turning", "idle"} == set(model.duties)
        assert DAYS == model.duties["off"].days
        assert DAYS * DAY_MIN * 60 * SECOND_US >= model.to_us - model.from_us


@pytest.mark.slow
def test_a_machine_that_is_not_asked_for_is_not_learned(shop):
    assert [] == odd(shop / "condmon.toml", [shop / "days.csv"], "mill-9")


@pytest.mark.slow
def test_too_few_days_are_told_in_words_and_give_no_model(shop, tmp_path):
    few = (shop / "days.csv").read_text().splitlines()[: 2 * DAY_MIN * len(PARTS)]
    (tmp_path / "two.csv").write_text("\n".join(few) + "\n")
    (made,) = odd(shop / "condmon.toml", [tmp_path / "two.csv"])
    assert ("", "") == (made.id, made.content)
    assert "odd pattern: still learning (2 of 7 days)" == made.words


def test_a_configuration_that_cannot_be_read_is_told(tmp_path):
    with pytest.raises(LearningError, match=r"models stay as they are.*condmon\.toml"):
        learned(tmp_path / "condmon.toml", time_max_s=120)


def test_a_child_that_takes_too_long_is_stopped(shop):
    with pytest.raises(LearningError, match="stopped"):
        learned(shop / "condmon.toml", [shop / "days.csv"], time_max_s=0.05)


@pytest.mark.parametrize("line", [b"{}", b"[1]", b"nonsense", b'{"machine": 1, "other": 2}'])
def test_what_a_child_says_and_nobody_understands_is_an_error(line):
    with pytest.raises(LearningError, match="nobody understands"):
        list(child._lines(line))


def test_scoring_does_not_import_scikit_learn():
    """The daemon loads the engine and the child's starter; neither may cost 118 MB."""
    code = (
        "import sys; import condmon.engine.engine, condmon.learning.child;"
        "sys.exit(any(m.split('.')[0] in ('sklearn', 'scipy') for m in sys.modules))"
    )
    root = Path(__file__).resolve().parents[2]
    env = {**os.environ, "PYTHONPATH": str(root)}
    assert 0 == subprocess.run([sys.executable, "-c", code], env=env, check=False).returncode
