"""`condmon learn` from end to end: simulated days in, a model and words out, or why not."""

import csv
import json
import math
import re
from datetime import UTC, datetime

import pytest

from condmon.cli import main
from condmon.config import load
from condmon.engine.engine import Engine
from condmon.engine.records import Beacon, ModelOn
from condmon.engine.thermal_file import read_model
from condmon.learning.models import kept
from tests.engine.heat import Spindle, history, speeds

TOML = """
[site]
name = "North Pier Optics"
timezone = "UTC"
[broker]
url = "mqtt://127.0.0.1:1883"
[store]
path = "store"
[adjust.odd-pattern]
enabled = false
[[machine]]
id = "mill-1"
name = "Five-axis mill"
[machine.signal.bearing_upper]
topic = "a"
role = "bearing_temperature"
trip = 50
[machine.signal.speed]
topic = "b"
role = "spindle_speed"
[machine.signal.supply]
topic = "c"
role = "coolant_supply_temperature"
setpoint = 22
[machine.signal.room]
topic = "d"
role = "room_temperature"
[machine.signal.power]
topic = "e"
role = "power"
"""


def without_weekends(day, rng):
    return speeds(day % 5, rng)


@pytest.fixture
def shop(tmp_path):
    path = tmp_path / "condmon.toml"
    path.write_text(TOML)
    (tmp_path / "store").mkdir()
    return path


def capture(path, h, first: int = 0, last: int | None = None):
    """A table of one sample a minute and signal."""
    names = ("bearing_upper", "room", "supply", "speed", "power")
    columns = [h.temp_c, h.room_c, h.supply_c, h.speed, 1.0 - h.off]
    with path.open("w", newline="") as file:
        out = csv.writer(file)
        out.writerow(["time", "machine", "signal", "value"])
        for i in range(first, len(h.minute) if last is None else last):
            at = datetime.fromtimestamp(int(h.minute[i]) * 60, UTC).isoformat()
            for name, column in zip(names, columns, strict=True):
                value = float(column[i])
                if not math.isnan(value):
                    out.writerow([at, "mill-1", name, round(value, 3)])
    return path


def test_days_give_a_model_that_the_engine_takes_up(shop, tmp_path, capsys):
    days = capture(tmp_path / "days.csv", history(5, 1, Spindle(), gaps=0))
    assert 0 == main(["learn", str(days), "-c", str(shop)])
    said = capsys.readouterr().out
    assert "mill-1: heat of Five-axis mill: bearing upper: at " in said
    assert "% coolant and " in said
    assert "lag 20 min" in said
    assert "under its trip all week" in said
    (made,) = kept(tmp_path / "store")
    model = read_model(made.content).bearings["bearing_upper"]
    gain_k = model.gain_k * (18_000 / model.speed_ref) ** model.exponent
    assert 19.0 == pytest.approx(gain_k, rel=0.03)
    assert {"bearing_upper"} == set(read_model(made.content).trends)
    engine = Engine(load(shop).settings)
    (entry,) = engine.push([Beacon(1), ModelOn(1, "mill-1", "thermal", made.id, made.content)])
    assert "takes effect" in entry.text


def test_one_day_is_refused_in_words_and_as_json(shop, tmp_path, capsys):
    days = capture(tmp_path / "day.csv", history(1, 1, gaps=0), 0, 800)
    assert 1 == main(["learn", str(days), "-c", str(shop), "--json"])
    (line,) = capsys.readouterr().out.splitlines()
    row = json.loads(line)
    assert ("refused", "mill-1", "thermal", None) == (
        row["kind"],
        row["machine"],
        row["model"],
        row["id"],
    )
    assert "10 h are needed" in row["words"]
    assert [] == kept(tmp_path / "store")


def test_change_since_is_told_and_a_dry_run_keeps_nothing(shop, tmp_path, capsys):
    h = history(4, 9, gaps=0, plan=without_weekends)
    days = capture(tmp_path / "days.csv", h)
    since = datetime.fromtimestamp(int(h.minute[0]) * 60 + 2 * 86400, UTC).strftime("%Y-%m-%d")
    assert 0 == main(["learn", str(days), "-c", str(shop), "--since", since, "--dry"])
    said = re.search(
        rf"the day named of {since} its heat changed by (\S+) K", capsys.readouterr().out
    )
    assert said is not None
    assert 0.0 == pytest.approx(float(said[1]), abs=0.3)  # nothing did change
    assert [] == kept(tmp_path / "store")


def test_a_span_without_a_record_is_told(shop, tmp_path, capsys):
    days = capture(tmp_path / "day.csv", history(1, 1, gaps=0), 0, 60)
    assert 1 == main(["learn", str(days), "-c", str(shop), "--to", "2001-01-01"])
    assert "no history" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--machine", "mil-1"], 'did you mean "mill-1"?'),
        (["nothing.csv"], "no such file"),
        (["--from", "soon"], "is no time"),
        (["--since", "then"], "is no time"),
    ],
)
def test_wrong_words_are_told(shop, capsys, words, said):
    assert 2 == main(["learn", *words, "-c", str(shop)])
    assert said in capsys.readouterr().err


def test_empty_store_says_that_there_is_nothing(shop, capsys):
    assert 1 == main(["learn", "-c", str(shop)])
    assert "no history" in capsys.readouterr().out


def test_damaged_configuration_is_told_by_the_command_itself(tmp_path, capsys):
    path = tmp_path / "condmon.toml"
    path.write_text("[site\n")
    assert 2 == main(["learn", "-c", str(path)])
    assert "Traceback" not in capsys.readouterr().err
