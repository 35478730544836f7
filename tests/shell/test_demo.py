"""The demo: alerts arrive over a real broker, it ends in order, and it leaves nothing behind."""

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from condmon.cli import main
from condmon.commands.demo import START, recipe
from condmon.engine.records import SECOND_US
from condmon.plant import Plant

START_US = round(START.timestamp()) * SECOND_US
WITHIN_S = 60


def demo(tmp_path: Path, *words: str) -> subprocess.Popen[str]:
    """Start the demo as a user would; its temporary folder is made below `tmp_path`."""
    return subprocess.Popen(
        [sys.executable, "-m", "condmon", "demo", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env={**os.environ, "TMPDIR": str(tmp_path), "PYTHONUNBUFFERED": "1"},
    )


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[int, str, Path]:
    """Exit code, output and temporary folder of a demo that ends by itself."""
    folder = tmp_path_factory.mktemp("demo")
    with demo(folder, "--for", "30s", "--speed", "120") as process:
        try:
            output, _ = process.communicate(timeout=WITHIN_S + 40)
        finally:
            process.kill()
    return process.returncode, output, folder


@pytest.mark.slow
def test_demo_brings_alerts_of_several_kinds_and_ends_with_0(whole: tuple[int, str, Path]):
    code, output, _ = whole
    assert (0, []) == (code, re.findall("Traceback", output))
    assert "air flows although the machine is off" in output
    assert "no oil reaches the spindle, and it turns" in output
    assert "chiller does not hold its set point" in output


@pytest.mark.slow
def test_demo_says_first_that_it_is_simulated_and_where_to_look_in(whole: tuple[int, str, Path]):
    head = whole[1].split("\n\n")[0]
    assert "simulated" in head
    assert re.search(r"127\.0\.0\.1:\d+", head)
    assert "Ctrl-C ends it" in head


@pytest.mark.slow
def test_first_alert_of_the_demo_comes_within_its_first_half_minute(
    whole: tuple[int, str, Path],
):
    first = re.search(r"\[ *(\d+) s, .*\] message 1 to the phone", whole[1])
    assert first is not None
    assert int(first[1]) <= 30


@pytest.mark.slow
def test_demo_leaves_no_files_behind(whole: tuple[int, str, Path]):
    assert [] == list(whole[2].iterdir())


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_demo_ends_in_order_when_told_to(number: signal.Signals, tmp_path: Path):
    with demo(tmp_path) as process:
        try:
            assert process.stdout is not None
            for line in process.stdout:
                if "Ctrl-C ends it" in line:
                    break
            process.send_signal(number)
            output, _ = process.communicate(timeout=WITHIN_S)
        finally:
            process.kill()
    assert 0 == process.returncode
    assert "The demo has ended" in output
    assert "Traceback" not in output
    assert [] == list(tmp_path.iterdir())


@pytest.mark.slow
def test_demo_that_ends_before_any_alert_says_so_and_ends_with_1(tmp_path: Path):
    with demo(tmp_path, "--for", "1 s", "--keep", str(tmp_path / "kept")) as process:
        try:
            output, _ = process.communicate(timeout=WITHIN_S)
        finally:
            process.kill()
    assert 1 == process.returncode
    assert "no alert arrived within 1 s" in output
    assert {"condmon.toml", "condmon.log", "store"} <= {
        path.name for path in (tmp_path / "kept").iterdir()
    }


def test_demo_without_its_extra_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    monkeypatch.setitem(sys.modules, "iotcore", None)
    assert 1 == main(["demo", "--for", "5 s"])
    assert 'pip install "condmon[demo]"' in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--for", "soon"], 'is not a time such as "90 s"'),
        (["--for", "0 s"], 'is not a time such as "90 s"'),
        (["--speed", "0"], "from 1 to"),
        (["--speed", "nan"], "from 1 to"),
        (["--seed", "-1"], "from 0 on"),
        (["--keep", "."], "does not exist yet"),
    ],
)
def test_demo_tells_wrong_words(words: list[str], told: str, capsys: pytest.CaptureFixture[str]):
    assert 2 == main(["demo", *words])
    assert told in capsys.readouterr().err


@pytest.mark.parametrize("speed", [1.0, 60.0, 120.0])
def test_demo_publishes_no_faster_than_its_broker_hands_out(speed: float):
    hour_us = 3600 * SECOND_US
    plant = Plant(1, START_US, recipe(START_US, speed))
    messages = sum(1 for _ in plant.run(START_US + hour_us))
    assert messages / 3600 * speed < 300
