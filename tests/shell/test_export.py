"""`condmon capture`: what comes out of the store replays to the alerts of the recording."""

import gzip
import json
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pyarrow.parquet as pq
import pytest

from condmon.cli import main
from condmon.config import load
from condmon.engine.decode import Arrived, Decoder
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert
from condmon.engine.records import NODATA, SECOND_US, SUSPECT, Beacon
from condmon.history.seal import seal
from condmon.history.store import states_of
from condmon.plant import Plant, configuration, load_recipe
from condmon.store.recorder import Recorder
from tests.fakes import FakeClock
from tests.recorded import DAY_US, MONDAY_US, STATES, Folder, one

RECIPES = Path(__file__).resolve().parents[2] / "replay" / "recipes"
CONFIG = """
[site]
name = "North Pier Optics"
timezone = "Europe/Oslo"
[store]
path = "store"
[[machine]]
id = "mill-1"
name = "Five-axis mill"
[machine.signal.temp]
topic = "a/temp"
kind = "measure"
unit = "Cel"
[machine.signal.power]
topic = "a/power"
role = "power"
[[machine]]
id = "mill-2"
name = "Vertical mill"
[machine.signal.temp]
topic = "b/temp"
kind = "measure"
unit = "Cel"
"""


def capture(folder: Path, *words: object) -> int:
    return main(["capture", "-c", str(folder / "condmon.toml"), *map(str, words)])


@pytest.fixture(scope="module")
def two_days(tmp_path_factory):
    folder = Folder(tmp_path_factory.mktemp("two") / "store")
    folder.day(MONDAY_US)
    folder.day(MONDAY_US + DAY_US)
    return folder.closed()


@pytest.fixture
def shop(tmp_path, two_days):
    (tmp_path / "condmon.toml").write_text(CONFIG)
    folder = two_days.copied(tmp_path / "store")
    yield folder
    folder.recorder.close()


TURN_US = 600 * SECOND_US  # a real turn is a second; each costs a push and a commit


def rows(path: Path) -> list[dict]:
    return pq.read_table(path).to_pylist()


def recorded(recipe: str, folder: Path, from_us: int, length_us: int) -> list[Alert]:
    """Record a stretch of a recipe as the daemon does; its alerts in their last state."""
    (folder / "condmon.toml").write_text(configuration("127.0.0.1", 1883, folder / "store"))
    settings = load(folder / "condmon.toml").settings
    plan = load_recipe(RECIPES / f"{recipe}.toml")
    decoder, engine, clock = Decoder(settings), Engine(settings), FakeClock(from_us)
    recorder = Recorder(folder / "store", settings.signals, clock.now_us)
    alerts: dict[str, Alert] = {}
    waiting: list[Arrived] = []
    last_us = from_us
    for reading in Plant(plan.seed, from_us, plan).run(from_us + length_us):
        if reading.at_us >= last_us + TURN_US:
            clock.pass_s((reading.at_us - last_us) / SECOND_US)
            batch = [*decoder.decode(waiting), Beacon(reading.at_us)]
            recorder.append(batch)
            alerts |= {out.id: out for out in engine.push(batch) if isinstance(out, Alert)}
            last_us, waiting = reading.at_us, []
        arrived_us = reading.at_us + 1234  # on its way from the sensor
        waiting.append(Arrived(arrived_us, reading.topic, reading.payload.encode()))
    recorder.close()
    return sorted(alerts.values(), key=lambda alert: (alert.raised_us, alert.id))


def replayed(folder: Path, path: Path, capsys) -> list[dict]:
    capsys.readouterr()
    assert 0 == main(["replay", "-c", str(folder / "condmon.toml"), "--json", str(path)])
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    return [row for row in found if row["kind"] == "alert"]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("recipe", "hours", "sealed"),
    [("latch-second-push", 8, False), ("air-left-on", 12.4, True)],  # the second over midnight
)
def test_a_capture_replays_to_the_alerts_of_the_recording(recipe, hours, sealed, tmp_path, capsys):
    plan = load_recipe(RECIPES / f"{recipe}.toml")
    alerts = recorded(recipe, tmp_path, plan.start_us, round(hours * 3600e6))
    assert alerts
    if sealed:
        settings = load(tmp_path / "condmon.toml").settings
        assert 1 == len(seal(tmp_path / "store", states_of(settings.signals)))
    out = tmp_path / "out.parquet"
    assert 0 == capture(tmp_path, "--from", "2020-01-01", "-o", out)
    again = replayed(tmp_path, out, capsys)
    assert [(a.id, a.check, a.machine, a.title) for a in alerts] == [
        (row["id"], row["check"], row["machine"], row["title"]) for row in again
    ]


def test_the_edges_of_a_door_latch_keep_their_fractions_of_a_second(tmp_path, capsys):
    recorded("latch-second-push", tmp_path, MONDAY_US + 7 * 3600 * SECOND_US, 1800 * SECOND_US)
    out = tmp_path / "out.parquet"
    capture(tmp_path, "--from", "2020-01-01", "-o", out)
    edges = [row["time"] for row in rows(out) if row["signal"] == "door_latched"]
    assert len({edge.microsecond for edge in edges}) > 2


@pytest.mark.parametrize("name", ["out.parquet", "out.csv", "out.csv.gz", "out.parquet.gz"])
def test_a_day_is_the_sites_day_and_every_form_reads_the_same(shop, tmp_path, name, capsys):
    out = tmp_path / name
    assert 0 == capture(tmp_path, "--day", "2025-11-25", "-o", out)
    assert "432 samples of mill-1, mill-2 written" in capsys.readouterr().err
    capsys.readouterr()
    main(["replay", "-c", str(tmp_path / "condmon.toml"), "--json", "--samples", str(out)])
    found = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    samples = [row for row in found if row["kind"] == "sample"]
    assert 432 == len(samples)
    assert ("2025-11-24T23:00:00Z", "mill-1", "temp", 33.8) == tuple(
        samples[0][key] for key in ("time", "machine", "signal", "value")
    )
    assert "2025-11-25T22:50:00.000007Z" == samples[-1]["time"]


def test_csv_has_rfc3339_times_and_words(shop, tmp_path):
    out = tmp_path / "out.csv.gz"
    capture(tmp_path, "--from", "2025-11-24T00:00:00Z", "--to", "2025-11-24T00:10:00Z", "-o", out)
    lines = gzip.decompress(out.read_bytes()).decode().splitlines()
    assert '"time","machine","signal","value","quality"' == lines[0]
    assert '"2025-11-24T00:00:00.000000Z","mill-1","temp",20,"good"' == lines[1]


def test_quality_comes_along_and_what_has_no_value_is_empty(shop, tmp_path):
    at_us = shop.clock.now_us()
    for n, quality in enumerate((SUSPECT, NODATA), 1):
        value = 33.0 if quality == SUSPECT else float("nan")
        shop.take(at_us + n, one(0, at_us + n, value, quality=quality))
    out = tmp_path / "out.parquet"
    capture(tmp_path, "--from", "2025-11-25T23:50:00.000011Z", "-o", out)
    assert [(33.0, "suspect"), (None, "nodata")] == [(r["value"], r["quality"]) for r in rows(out)]


def test_sealed_and_unsealed_give_the_same_file_and_one_machine_is_one(shop, tmp_path):
    words = ("--from", "2025-11-24 12:00", "--to", "2025-11-25 12:00", "--machine", "mill-2")
    capture(tmp_path, *words, "-o", tmp_path / "a.parquet")
    seal(shop.path, STATES)
    capture(tmp_path, *words, "-o", tmp_path / "b.parquet")
    assert rows(tmp_path / "a.parquet") == rows(tmp_path / "b.parquet")
    assert {"mill-2"} == {row["machine"] for row in rows(tmp_path / "a.parquet")}
    assert datetime(2025, 11, 24, 12, tzinfo=ZoneInfo("Europe/Oslo")) <= rows(
        tmp_path / "a.parquet")[0]["time"]  # fmt: skip


def test_a_long_span_is_written_in_pieces_in_order(shop, tmp_path):
    out = tmp_path / "out.parquet"
    capture(tmp_path, "--from", "2025-11-24", "-o", out)
    assert 8 == pq.ParquetFile(out).metadata.num_row_groups
    times = [row["time"] for row in rows(out)]
    assert (2 * 432, sorted(times)) == (len(times), times)


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["--day", "yesterday"], 2, "this is no day"),
        (["--day", "2025-13-01"], 2, "this is no day"),
        (["--from", "noon"], 2, "this is no time"),
        (["--from", "2025-11-25", "--to", "2025-11-24"], 2, "is not before"),
        (["--day", "2025-11-25", "--from", "2025-11-24"], 2, "either --day"),
        ([], 2, "say which time"),
        (["--day", "2025-11-25", "--machine", "mill-9"], 2, "did you mean"),
        (["--day", "2024-11-25"], 1, "nothing was recorded from"),
    ],
)
def test_wrong_words_and_empty_spans_are_told_and_leave_no_file(
    shop, tmp_path, capsys, words, code, said
):
    assert code == capture(tmp_path, *words, "-o", tmp_path / "out.csv")
    assert said in capsys.readouterr().err
    assert not (tmp_path / "out.csv").exists()


def test_a_file_is_never_written_over(shop, tmp_path, capsys):
    out = tmp_path / "out.csv"
    out.write_text("precious")
    assert 2 == capture(tmp_path, "--day", "2025-11-25", "-o", out)
    assert ("precious", True) == (out.read_text(), "never written over" in capsys.readouterr().err)
    assert 2 == capture(tmp_path, "--day", "2025-11-25", "-o", tmp_path / "out.xls")
    assert 2 == capture(tmp_path, "--day", "2025-11-25", "-o", tmp_path / "no" / "out.csv")


def test_an_empty_store_is_told(tmp_path, capsys):
    (tmp_path / "condmon.toml").write_text(CONFIG)
    assert 1 == capture(tmp_path, "--day", "2025-11-25", "-o", tmp_path / "out.csv")
    assert "nothing was recorded here" in capsys.readouterr().err
