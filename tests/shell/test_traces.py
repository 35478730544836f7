"""Strokes of the axes laid over each other, in the report of the log and in that of a replay."""

import re

import numpy as np
import pytest

from condmon.cli import main
from condmon.engine.records import NO_TIME, SECOND_US, Beacon, Samples
from condmon.ledger import curves
from condmon.ledger.report import report
from condmon.ledger.traces import Traces, laid, words
from tests.ledgers import MINUTE_US, START_US, Lived

SIGNAL = """
[machine.signal.stroke_{0}]
topic = "pier/lathe-1/stroke/{0}"
role = "axis_trace"
unit = "{1}"
axis = "{0}"
"""
LATHE = (
    '[[machine]]\nid = "lathe-1"\nname = "Lathe"\n'
    + SIGNAL.format("x", "%") + SIGNAL.format("y", "%") + SIGNAL.format("z", "%")
    + SIGNAL.format("c", "A")
)  # fmt: skip
LEVELS = {"stroke_x": 18.0, "stroke_y": 24.0, "stroke_z": 31.0, "stroke_c": 4.0}
WAY = np.linspace(0.0, 1.0, 20)


def stroke(lived: Lived, *, rise: float = 0.0, oil: float = 1.0) -> None:
    """A minute in which every axis makes a stroke; x may rise at seven tenths of its way."""
    index = {s.name: s.index for s in lived.config.settings.signals}
    at_us = lived.now_us + (WAY * 19 * 50_000).astype(np.int64) + 10 * SECOND_US
    records = []
    for name, level in LEVELS.items():
        hill = rise * np.exp(-(((WAY - 0.7) / 0.08) ** 2)) if name == "stroke_x" else 0.0
        value = level * oil + np.sin(6 * WAY) + hill
        n = len(at_us)
        records.append(Samples(
            np.full(n, index[name], np.int32), at_us, np.full(n, NO_TIME, np.int64), value,
            np.zeros(n, np.uint8), np.zeros(n, np.uint16), np.zeros(n, np.uint8),
        ))  # fmt: skip
    lived.take([*records, Beacon(lived.now_us + MINUTE_US)])


@pytest.fixture(scope="module")
def lived(tmp_path_factory) -> Lived:
    """Seven good strokes, then five with a hill in x while all axes go a tenth heavier."""
    made = Lived(tmp_path_factory.mktemp("strokes"), more=LATHE)
    for _ in range(7):
        stroke(made)
    for _ in range(5):
        stroke(made, rise=9.0, oil=1.1)
    made.say()
    made.close()
    return made


def figures(page: str) -> list[tuple[str, str]]:
    """Heading and drawing of each figure with strokes."""
    form = r"<figcaption>([^<]*)<s[^>]*>([^<]*)</s[^>]*></figcaption>\s*(<svg.*?</svg>)"
    found = re.findall(form, page, re.DOTALL)
    return [(f"{title}|{said}", svg) for title, said, svg in found if "along its way" in svg]


@pytest.fixture(scope="module")
def in_report(lived) -> list[tuple[str, str]]:
    return figures(report(lived.config, "lathe-1", (START_US, lived.now_us), lived.now_us))


def test_the_stroke_of_an_alert_lies_over_the_last_good_one_and_its_siblings(in_report):
    assert 4 == len(in_report)
    said, svg = in_report[0]
    assert said.startswith("stroke x, alert 1 |thick: the stroke of 2026-11-25 06:08:12, ")
    assert "dashed: the last good one, 2026-11-25 06:06:12, " in said  # before the two odd ones
    assert "they differ most at 68 % of the way" in said
    assert re.search(r"thin: Y, [^;]*, on the whole \+10 % since then; thin: Z, [^;]* \+10 %", said)
    assert "C" not in re.findall("thin: (.)", said)  # of another unit
    assert [4, 1] == [svg.count('fill="none"') - 1, svg.count("stroke-dasharray")]


def test_strokes_without_an_alert_are_the_last_and_the_one_before(in_report):
    titles = [said.split("|")[0].strip() for said, _ in in_report]
    assert ["stroke x, alert 1", "stroke y", "stroke z", "stroke c"] == titles
    said = in_report[3][0]
    assert "the stroke of 2026-11-25 06:11:12" in said
    assert "the one before, 2026-11-25 06:10:12" in said
    assert "thin" not in said


def test_sealed_days_give_the_same_strokes(lived, in_report, monkeypatch):
    monkeypatch.setattr(curves, "RECENT_US", 0)
    monkeypatch.setattr(curves, "SLICE_US", 60 * SECOND_US)
    assert in_report == figures(
        report(lived.config, "lathe-1", (START_US, lived.now_us), lived.now_us)
    )


def test_a_machine_without_traces_has_no_such_figures(lived):
    page = report(lived.config, "mill-1", (START_US, lived.now_us), lived.now_us)
    assert ([], False) == (figures(page), "Strokes of the axes" in page)


def test_the_report_of_a_replay_shows_them_with_the_alert_and_the_machine(lived, tmp_path):
    path = tmp_path / "out.html"
    assert 0 == main(["replay", "-c", str(lived.config_path), "--day", "2026-11-25",
                      "--machine", "lathe-1", "--report", str(path)])  # fmt: skip
    found = figures(path.read_text())
    assert 5 == len(found)  # at the alert, and the last of each axis
    assert "they differ most at 68 % of the way" in found[0][0]


def test_a_first_stroke_has_nothing_to_be_laid_over(lived):
    machine = next(m for m in lived.config.settings.machines if m.id == "lathe-1")
    traces = Traces(["stroke_x"])
    at_us = START_US + np.arange(20) * 50_000
    traces.add("stroke_x", at_us, np.linspace(1.0, 3.0, 20))
    traces.add("stroke_x", at_us, np.full(20, 99.0))  # late: not newer than what is there
    signal = machine.by_role("axis_trace")[0]
    found = laid(traces, machine, signal, None)
    assert (None, []) == (found.before, found.siblings)
    assert "1 to 3 %; there is none before it in this time" in words(
        found, signal, lived.config.settings.calendar
    )
    assert laid(Traces(["stroke_x"]), machine, signal, None) is None
