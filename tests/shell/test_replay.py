"""`condmon replay`: what it prints, in which order, and how it ends."""

import itertools
import json
import os
import pty
import subprocess
import sys

import pyarrow as pa
import pytest

from condmon import capture
from condmon.capture import Notes, write_capture, write_recording
from condmon.cli import main
from condmon.commands.replay import replay
from condmon.config import load
from condmon.engine.decode import Arrived
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert, Message
from condmon.engine.records import SECOND_US, Samples

AT_US = 1_763_964_000_000_000  # Monday 2025-11-24, 06:00:00Z = 07:00 in Oslo

CONFIG = """
[site]
name = "North Pier Optics"
timezone = "Europe/Oslo"

[broker]
url = "mqtt://127.0.0.1:1883"

[store]
path = "store"

[[machine]]
id = "mill-1"
name = "Five-axis mill"
[machine.signal.power]
topic = "pier/mill-1/power"
role = "power"
[machine.signal.air_flow]
topic = "pier/mill-1/air"
role = "air_flow"

[[machine]]
id = "mill-2"
name = "Vertical mill"
[machine.signal.oil_level]
topic = "pier/mill-2/oil"
kind = "measure"
unit = "%"

[[check]]
id = "oil-low"
machines = ["mill-2"]
when = "oil_level < 20"
hold = "60 s"
urgency = "note"
title = "way oil low"
why = "Ways run dry."
look_first = ["The tank."]
"""

ALERT_KEYS = [
    *("kind", "id", "machine", "check", "signals"),
    *("urgency", "began", "raised", "ended", "title"),
]


def messages():
    """Half an hour: power off at 5 min with air flowing on, way oil low from 10 min on."""
    for at in range(0, 1800, 10):
        at_us = AT_US + at * SECOND_US
        yield Arrived(at_us, "pier/mill-1/power", b"on" if at < 300 else b"off")
        yield Arrived(at_us + 1, "pier/mill-1/air", b"38.1" if at < 1500 else b"0.1")
        yield Arrived(at_us + 2, "pier/mill-2/oil", b"50" if at < 600 else b"12")
    yield Arrived(at_us + 3, "pier/mill-2/oil", b"rubbish")


@pytest.fixture
def shop(tmp_path):
    (tmp_path / "condmon.toml").write_text(CONFIG)
    write_recording(tmp_path / "day.jsonl.zst", messages())
    return tmp_path


def run(shop, capsys, *words: object):
    """(exit code, JSON rows of standard output, standard error)."""
    code = main(["replay", "-c", str(shop / "condmon.toml"), *map(str, words)])
    told = capsys.readouterr()
    rows = [json.loads(line) for line in told.out.splitlines()] if "--json" in words else told.out
    return code, rows, told.err


def test_alerts_then_messages_then_the_summary(shop, capsys):
    code, rows, told = run(shop, capsys, shop / "day.jsonl.zst", "--json")
    assert (0, "") == (code, told)
    assert ["alert", "alert", "message", "message", "summary"] == [row["kind"] for row in rows]
    oil, air = rows[:2]
    assert ALERT_KEYS == list(air)
    assert {
        "machine": "mill-1",
        "check": "air-while-off",
        "urgency": "today",
        "began": "2025-11-24T06:05:00Z",
        "raised": "2025-11-24T06:15:00Z",
        "ended": "2025-11-24T06:25:00Z",
    } == {key: air[key] for key in ("machine", "check", "urgency", "began", "raised", "ended")}
    assert ("oil-low", "note", None) == (oil["check"], oil["urgency"], oil["ended"])
    assert oil["raised"] < air["raised"]


def test_the_last_notes_are_told_in_the_digest_that_would_be_sent(shop, capsys):
    _, rows, _ = run(shop, capsys, shop / "day.jsonl.zst", "--json")
    raised, digest = (row for row in rows if row["kind"] == "message")
    assert ("raised", "today", "mill-1") == (raised["told"], raised["urgency"], raised["machine"])
    assert ("digest", [rows[0]["id"]]) == (digest["told"], digest["alerts"])


def test_the_summary_counts_what_was_read_refused_and_said(shop, capsys):
    _, rows, _ = run(shop, capsys, shop / "day.jsonl.zst", "--json")
    summary = rows[-1]
    assert {
        "records": 541,
        "samples": 541,
        "alerts": 2,
        "messages": 2,
        "refused": 1,
        "reasons": {"not a number": 1},
        "lines_bad": 0,
        "rows_unknown": 0,
        "complete": True,
    }.items() <= summary.items()
    assert 1790 * 2 <= summary["ticks"]
    assert 0 < summary["seconds"] < 60


def test_a_recording_and_a_capture_of_the_same_day_say_the_same(shop, capsys):
    _, recorded, _ = run(shop, capsys, shop / "day.jsonl.zst", "--json")
    rows = [(m.arrived_us, *m.topic.split("/")[1:], m.payload.decode()) for m in messages()]
    names = {"power": "power", "air": "air_flow", "oil": "oil_level"}
    write_capture(
        shop / "day.parquet",
        pa.table(
            {
                "time": pa.array([row[0] for row in rows], pa.timestamp("us")),
                "machine": [row[1] for row in rows],
                "signal": [names[row[2]] for row in rows],
                "value": [row[3] for row in rows],
            }
        ),
    )
    code, captured, _ = run(shop, capsys, shop / "day.parquet", "--json")
    assert 0 == code
    assert recorded[:-1] == captured[:-1]
    assert recorded[-1] | {"seconds": 0} == captured[-1] | {"seconds": 0}


def test_entries_and_samples_come_on_request_before_the_alerts(shop, capsys):
    _, rows, _ = run(shop, capsys, shop / "day.jsonl.zst", "--json", "--entries", "--samples")
    kinds = [row["kind"] for row in rows]
    assert 541 == kinds.count("sample")
    assert kinds.count("entry") == rows[-1]["entries"] > 0
    assert {"sample", "entry"} == set(kinds[: kinds.index("alert")])
    samples = [row for row in rows if row["kind"] == "sample"]
    assert {
        "kind": "sample",
        "time": "2025-11-24T06:00:00.000001Z",
        "machine": "mill-1",
        "signal": "air_flow",
        "value": 38.1,
        "quality": "good",
        "reason": "",
        "marks": [],
    } == samples[1]
    last = samples[-1]
    assert (None, "bad", "not a number") == (last["value"], last["quality"], last["reason"])
    entry = next(row for row in rows if row["kind"] == "entry")
    assert ["kind", "id", "at", "machine", "about", "text", "facts"] == list(entry)


def test_samples_carry_marks_and_their_settled_time(shop, capsys):
    lines = [
        Arrived(AT_US, "pier/mill-2/oil", b"40", retain=True),
        Arrived(AT_US + 5 * SECOND_US, "pier/mill-2/oil", b'{"v":41,"t":1763964003}'),
        Arrived(AT_US + 6 * SECOND_US, "pier/mill-2/oil", b'{"v":42,"t":"soon"}'),
    ]
    write_recording(shop / "short.jsonl", lines)
    _, rows, _ = run(shop, capsys, shop / "short.jsonl", "--json", "--samples")
    kept, own, unread = (row for row in rows if row["kind"] == "sample")
    assert (None, "suspect", ["retained"]) == (kept["value"], kept["quality"], kept["marks"])
    assert (41.0, "2025-11-24T06:00:03Z") == (own["value"], own["time"])
    assert (42.0, "suspect", ["time unreadable"], "2025-11-24T06:00:06Z") == (
        unread["value"],
        unread["quality"],
        unread["marks"],
        unread["time"],
    )


def test_one_machine_alone(shop, capsys):
    words = ("--json", "--entries", "--samples", "--machine", "mill-2")
    code, rows, _ = run(shop, capsys, shop / "day.jsonl.zst", *words)
    assert 0 == code
    assert {"mill-2"} == {row["machine"] for row in rows if row["kind"] in {"alert", "sample"}}
    assert {"mill-2"} == {row["machine"] for row in rows if row["kind"] == "entry"}
    assert ["digest"] == [row["told"] for row in rows if row["kind"] == "message"]


def test_the_page_for_people(shop, capsys):
    code, page, _ = run(shop, capsys, shop / "day.jsonl.zst", "--entries", "--samples")
    assert 0 == code
    for text in (
        "TODAY  Five-axis mill: ",
        "2025-11-24 07:05:00 to 2025-11-24 07:25:00 (20 min); raised 2025-11-24 07:15:00",
        "NOTE  Vertical mill: way oil low",
        "since 2025-11-24 07:10:00, not ended",
        "Look at this first:\n    1. The tank.",
        "Messages that would have been sent: 2",
        "541 samples in ",
        "Samples put aside: 1 (1 not a number).",
        "mill-2  oil_level  -  bad (not a number)",
    ):
        assert text in page


def test_a_quiet_day_says_so(shop, capsys):
    write_recording(shop / "short.jsonl", itertools.islice(messages(), 3))
    code, page, _ = run(shop, capsys, shop / "short.jsonl")
    assert 0 == code
    assert page.startswith("No alert.\n")


def test_a_recording_cut_off_gives_its_summary_a_warning_and_exit_1(shop, capsys):
    path = shop / "cut.jsonl"
    write_recording(path, messages())
    path.write_bytes(path.read_bytes()[:-30])
    code, rows, told = run(shop, capsys, path, "--json")
    assert 1 == code
    assert (540, False) == (rows[-1]["samples"], rows[-1]["complete"])
    assert f"condmon: warning: {path}: the file was cut off after line 540" in told
    code, page, _ = run(shop, capsys, path)
    assert 1 == code
    assert "A file was cut off or damaged" in page


def test_wrong_files_and_words_end_with_2_and_no_traceback(shop, capsys):
    (shop / "empty.jsonl").touch()
    day = shop / "day.jsonl.zst"
    for words, why in (
        ((shop / "none.jsonl",), "there is no such file"),
        ((day, shop / "empty.jsonl"), "the file is empty"),
        ((shop,), "this is a folder"),
        ((shop / "condmon.toml",), "neither a recording"),
        ((day, "--machine", "mil-1"), 'did you mean "mill-1"?'),
        ((day, "-c", shop / "other.toml"), "other.toml"),
    ):
        code, _, told = run(shop, capsys, *words)
        assert 2 == code
        assert why in told
        assert "Traceback" not in told


def test_bad_lines_and_unknown_names_are_counted_and_warned_of(shop, capsys):
    path = shop / "odd.jsonl"
    write_recording(path, messages())
    path.write_bytes(b"oops\n" + path.read_bytes())
    code, rows, told = run(shop, capsys, path, "--json")
    assert (0, 1) == (code, rows[-1]["lines_bad"])
    assert f"warning: {path}:1: not a line of JSON" in told
    path = shop / "odd.csv"
    path.write_text("time,machine,signal,value\n1763964000,mill-7,x,1\n1763964000,mill-1,power,1\n")
    code, rows, told = run(shop, capsys, path, "--json")
    assert (0, 1, 1) == (code, rows[-1]["rows_unknown"], rows[-1]["samples"])
    assert "mill-7/x (1 rows)" in told


def test_cutting_the_stream_changes_no_output(shop):
    settings = load(shop / "condmon.toml").settings
    batches = list(capture.read([shop / "day.jsonl.zst"], settings, Notes()))
    whole = replay(batches, Engine(settings))
    pieces = []
    for record in itertools.chain.from_iterable(batches):
        cut = isinstance(record, Samples) and len(record) > 1
        pieces += [[record.cut(0, 1)], [record.cut(1, len(record))]] if cut else [[record]]
    assert whole == replay(pieces, Engine(settings))
    assert 2 == len({output.id for output in whole if isinstance(output, Alert)})
    assert 2 == len([output for output in whole if isinstance(output, Message)])


def test_nothing_read_says_nothing(shop):
    assert [] == replay([], Engine(load(shop / "condmon.toml").settings))


def test_progress_goes_to_a_terminal_and_only_there(shop):
    leader, follower = pty.openpty()
    command = [sys.executable, "-m", "condmon", "replay", str(shop / "day.jsonl.zst"), "--json"]
    child = subprocess.run(
        [*command, "-c", str(shop / "condmon.toml")],
        stdout=subprocess.PIPE, stderr=follower, check=True, timeout=60,
    )  # fmt: skip
    os.close(follower)
    told = os.read(leader, 65536).decode()
    os.close(leader)
    assert "% " in told
    assert "samples/s" in told
    assert "summary" == json.loads(child.stdout.splitlines()[-1])["kind"]
