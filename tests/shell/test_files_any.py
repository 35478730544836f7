"""Any recording, capture, foreign CSV or backup: read as far as it goes, or refused in words."""

import gzip
import hashlib
import io
import json
import subprocess
import sys
from pathlib import Path
from random import Random

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from condmon import capture
from condmon.capture import Notes, mapping
from condmon.cli import main
from condmon.clock import SiteCalendar
from condmon.engine.engine import Engine
from condmon.engine.records import Samples
from condmon.engine.settings import Machine, Settings
from condmon.errors import UsageError
from tests.bent import ODD, SEEDS, bent_bytes, bent_json
from tests.captures import AT_US, SIGNALS, TIMES, day
from tests.daemons import HEAD, MILL
from tests.generated import generated
from tests.shell import test_capture_foreign as foreign

MILLS = (Machine("mill-1", "M1", SIGNALS[:2]), Machine("mill-2", "M2", SIGNALS[2:]))
SETTINGS = Settings("x", SiteCalendar("Europe/Oslo"), MILLS)


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("any")


def judged(path: Path, settings=SETTINGS, columns=None) -> tuple[int, str]:
    """How many samples of a file the engine took, and what was told of it."""
    notes, count = Notes(), 0
    engine = Engine(settings) if path.stat().st_size % 3 == 0 else None  # which takes longer
    try:
        for batch in capture.read([path], settings, notes, columns=columns):
            records = list(batch)
            count += sum(len(record) for record in records if isinstance(record, Samples))
            if engine:
                engine.push(records)
    except UsageError as error:
        return 0, str(error)
    if engine:
        engine.snapshot()
    return count, " ".join(notes.warnings)


# recordings

TOPICS = ("a/temp", "a/power", "b/temp", "elsewhere", "", "a/\x00", "spBv1.0/x", 7)
TEXTS = ("21.5", "on", "off", "", "nan", "1e400", "x" * 300, '{"v": 1}', "\ud800", "21,5 °C", None)


def line(rng: Random) -> bytes:
    """A line as a recording has it, with fields that hardly fit now and then."""
    at = AT_US / 1e6 + rng.choice([rng.randrange(100), rng.random() * 1e5, -rng.random() * 1e9])
    row = {"at": at, "topic": rng.choice(TOPICS), "payload": rng.choice(TEXTS), "qos": 1,
           "retain": rng.random() < 0.2}  # fmt: skip
    while rng.random() < 0.25:
        row[rng.choice([*row, "payload_b64", "more"])] = rng.choice(ODD)
    if rng.random() < 0.1:
        row.pop(rng.choice(list(row)))
    return json.dumps(row).encode("utf-8", "replace") + rng.choice(
        [b"\n"] * 8 + [b"\r\n", b"", b" "]
    )


def recording(seed: int) -> bytes:
    """Some lines, bent a little in one of three, packed in one of four."""
    rng = Random(seed)
    lines = b"".join(line(rng) for _ in range(rng.randrange(1, 12)))
    if rng.random() < 0.3:
        at = rng.randrange(len(lines))
        lines = lines[:at] + rng.randbytes(rng.randrange(4)) + lines[at + rng.randrange(4) :]
    if rng.random() < 0.25:
        packed = gzip.compress(lines, 1, mtime=0) if rng.random() < 0.5 else zstd(lines)
        return packed if rng.random() < 0.5 else packed[: rng.randrange(len(packed)) + 1]
    return lines


def zstd(content: bytes) -> bytes:
    return pa.Codec("zstd").compress(content, asbytes=True)


@generated(usual=150, per_mille=70)
@given(SEEDS.map(recording))
def test_any_recording_is_judged_as_far_as_it_goes_or_refused_in_words(place, content):
    path = place / "day.jsonl"
    path.write_bytes(content)
    count, told = judged(path)
    assert count or told == "" or str(path) in told


# captures


def parquet(**how) -> bytes:
    sink = io.BytesIO()
    pq.write_table(day(TIMES[0]), sink, **how)
    return sink.getvalue()


CSV = (
    b"time,machine,signal,value,quality\n2025-11-24T06:00:00Z,mill-1,temp,21.5,good\n"
    b"2025-11-24T06:00:01Z,mill-1,power,on,\n1763964002,mill-2,temp,x,bad\n"
)
CAPTURES = (parquet(), parquet(compression="none", use_dictionary=False), CSV, CSV,
            gzip.compress(CSV, mtime=0))  # fmt: skip


@generated(usual=150, per_mille=60)
@given(bent_bytes(*CAPTURES))
def test_any_capture_is_judged_or_refused_in_words(place, content):
    path = place / "day.parquet"
    path.write_bytes(content)
    count, told = judged(path)
    assert count or str(path) in told


# CSV from elsewhere

MAPS = (foreign.WIDE_MAP.encode(), foreign.LONG_MAP.encode())
SHEETS = (foreign.WIDE.encode(), foreign.LONG.encode())


@generated(usual=80, per_mille=40)
@given(SEEDS, bent_bytes(*SHEETS), bent_bytes(*MAPS))
def test_any_foreign_csv_and_any_mapping_are_read_or_refused_in_words(place, seed, sheet, rules):
    which = seed % 4  # one of both is often as it should be
    path, columns = place / "log.csv", place / "columns.toml"
    path.write_bytes(SHEETS[seed // 4 % 2] if which == 0 else sheet)
    columns.write_bytes(MAPS[seed // 4 % 2] if which == 1 else rules)
    try:
        rules_read = mapping.load(columns)
    except UsageError as error:
        told = str(error)
        assert str(columns) in told
        return
    count, told = judged(path, foreign.SETTINGS, rules_read)
    assert count or told


# found by these, each with its own test


class Counting(SiteCalendar):
    """Counts how often somebody asks when the next day comes."""

    asked = 0

    def next_local(self, at_us, minute_of_day, days):
        self.asked += 1
        return super().next_local(at_us, minute_of_day, days)


def test_a_hole_of_five_thousand_years_is_not_walked_through_day_by_day(place):
    calendar, path = Counting("Europe/Oslo"), place / "long.jsonl"
    rows = [{"at": AT_US / 1e6 + years * 3.156e7, "topic": "a/temp", "payload": "21"}
            for years in (0, 5000)]  # fmt: skip
    path.write_text("".join(json.dumps(row) + "\n" for row in rows))
    engine = Engine(Settings("x", calendar, MILLS))
    for batch in capture.read([path], SETTINGS, Notes()):
        engine.push(list(batch))
    assert 0 < calendar.asked < 20


@pytest.mark.parametrize("line", ["", "a\rb;c", '"open', "\x00;\x00"])
def test_a_line_of_names_that_cannot_be_read_is_told(place, line):
    path = place / "log.csv"
    path.write_text(f"x\nx\n{line}\n1;2;3\n", newline="")
    (place / "columns.toml").write_text(foreign.WIDE_MAP)
    count, told = judged(path, foreign.SETTINGS, mapping.load(place / "columns.toml"))
    assert (0, True) == (count, str(path) in told)


# backups


@pytest.fixture(scope="module")
def saved(place):
    """A configuration, a small backup with a file that was changed, and the text of its list."""
    (place / "condmon.toml").write_text(HEAD.format(url="mqtt://127.0.0.1:1") + MILL)
    folder = place / "backup"
    folder.mkdir()
    (folder / "accounts.db").write_bytes(b"y" * 100)
    digest = hashlib.sha256(b"x" * 100).hexdigest()
    row = {"bytes": 100, "sha256": digest, "mtime_ns": 1, "wal": [0, 0]}
    names = {"accounts.db": row, "photos/a.jpg": row, "condmon.toml": row}
    return place, json.dumps({"version": "0.1.0", "made": "2026-11-25T00:00:00Z", "files": names})


@generated(usual=25, per_mille=2)
@given(data=st.data())
def test_any_list_of_a_backup_is_refused_and_nothing_is_written(saved, data, capsys):
    place, text = saved
    whole = data.draw(bent_json(text))
    (place / "backup" / "backup.json").write_text(json.dumps(whole))
    before = sorted(place.rglob("*"))
    assert main(["restore", str(place / "backup"), "-c", str(place / "condmon.toml")]) in {1, 2}
    assert before == sorted(place.rglob("*"))
    assert "Traceback" not in capsys.readouterr().err


@pytest.mark.parametrize("row", [{}, None, 7, "x", [], {"bytes": 100}, {"sha256": "x"}])
def test_a_list_whose_rows_are_none_is_no_backup(saved, row, capsys):
    place, _ = saved
    (place / "backup" / "backup.json").write_text(json.dumps({"files": {"accounts.db": row}}))
    assert 2 == main(["restore", str(place / "backup"), "-c", str(place / "condmon.toml")])
    assert "is no backup of condmon" in capsys.readouterr().err


@pytest.mark.parametrize("head", [b"time,machine,signal,value\n", b"PAR1"])
def test_a_packed_capture_without_an_end_is_refused(place, head, monkeypatch):
    monkeypatch.setattr("condmon.capture.files.UNPACKED_BYTES_MAX", 1 << 20)
    path = place / "bomb.csv.gz"
    path.write_bytes(gzip.compress(head + b"1,a,b,2\n" * 400_000, 1))
    count, told = judged(path)
    assert (0, True) == (count, "unpacks to more than 1 MB" in told)


def test_capture_whose_foot_counts_rows_and_has_none_is_refused_in_words(place, monkeypatch):
    monkeypatch.setattr("condmon.capture.table.Table._rows", lambda _: 1)
    path = place / "none.parquet"
    pq.ParquetWriter(path, day(TIMES[0]).schema).close()
    count, told = judged(path)
    assert (0, True) == (count, "tells of no place" in told)


EACH_BYTE = """
import sys
from pathlib import Path
from tests.shell.test_files_any import CAPTURES, judged
whole, path = CAPTURES[1], Path(sys.argv[1])
for at in range(len(whole) - 1000, len(whole)):
    for other in {0x22, whole[at] ^ 1, whole[at] ^ 0x10}:
        path.write_bytes(whole[:at] + bytes([other]) + whole[at + 1 :])
        judged(path)
print("all judged")
"""


def test_no_changed_byte_in_the_foot_of_a_capture_ends_the_process(tmp_path):
    """In a process of its own: the library ends it over statistics that do not fit."""
    done = subprocess.run([sys.executable, "-c", EACH_BYTE, str(tmp_path / "day.parquet")],
                          cwd=Path(__file__).parents[2], capture_output=True, text=True,
                          check=False)  # fmt: skip
    assert ("all judged", 0) == (done.stdout.strip(), done.returncode), done.stderr[-500:]
