"""Any recording, capture, foreign CSV or backup: read as far as it goes, or refused in words."""

import gzip
import io
import json
from pathlib import Path
from random import Random

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given

from condmon import capture
from condmon.capture import Notes, mapping
from condmon.engine.engine import Engine
from condmon.engine.records import Samples
from condmon.errors import UsageError
from tests.bent import ODD, SEEDS, bent_bytes
from tests.captures import AT_US, SETTINGS, TIMES, day
from tests.generated import generated
from tests.shell import test_capture_foreign as foreign


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Path:
    return tmp_path_factory.mktemp("any")


def judged(path: Path, settings=SETTINGS, columns=None) -> tuple[int, str]:
    """How many samples of a file the engine took, and what was told of it."""
    notes, engine, count = Notes(), Engine(settings), 0
    try:
        for batch in capture.read([path], settings, notes, columns=columns):
            records = list(batch)
            count += sum(len(record) for record in records if isinstance(record, Samples))
            engine.push(records)
    except UsageError as error:
        return 0, str(error)
    assert count >= 0
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


@generated(usual=150, per_mille=110)
@given(SEEDS.map(recording))
def test_any_recording_is_judged_as_far_as_it_goes_or_refused_in_words(place, content):
    path = place / "day.jsonl"
    path.write_bytes(content)
    count, told = judged(path)
    assert count or told or b"topic" in content


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


@generated(usual=150, per_mille=80)
@given(bent_bytes(*CAPTURES))
def test_any_capture_is_judged_or_refused_in_words(place, content):
    path = place / "day.parquet"
    path.write_bytes(content)
    count, told = judged(path)
    assert count or told


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
    judged(path, foreign.SETTINGS, rules_read)
