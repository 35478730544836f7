"""Whatever a thermal model, a snapshot or a batch holds: taken up, or refused with a reason."""

import json
import math
import struct
import zlib
from functools import cache

from hypothesis import given

from condmon.engine import thermal_file
from condmon.engine.engine import Engine
from condmon.engine.records import ModelOn, samples
from condmon.engine.snapshot import SnapshotError
from condmon.engine.thermal_file import MachineModel
from condmon.engine.thermal_growth import Change, Growth, HeldUntil, WeekGain
from condmon.engine.thermal_trend import Trend, Turn, Wanted
from condmon.store.packing import PackingError, pack, unpack
from tests.bent import bent_bytes, bent_json
from tests.engine.builders import T0_US, shop, stream
from tests.engine.test_bearing_checks import TRADE, columns, hours
from tests.engine.test_bearing_checks import shop as heated
from tests.engine.test_bearing_checks import stream as heat
from tests.generated import generated

SHOP = shop(1)
TREND = Trend(
    30, 20_500, (WeekGain(20_493, 5, 19.0, 18.5, 19.5),), Growth(0.2, 0.1, 0.3, 19.5, True), 24.0,
    Wanted(12_000.0, 50.0, 3.0), HeldUntil(60.0, 40.0, math.inf, 90.0), Turn(T0_US, "service"),
    Change(0.4, 0.1, 0.7, 10, 8),
)  # fmt: skip
CONTENT = MachineModel("mill-1", {"bearing": TRADE}, {"other": "short"}, 0, 1, {"numpy": "2"},
                       {"bearing": TREND}).content()  # fmt: skip


@cache
def half_an_hour():
    """A spindle that warms up, for a model to judge."""
    return heat(heated(), columns(hours((0.1, 0.0), (0.4, 9000.0))))


@generated(usual=40, per_mille=6)
@given(bent_json(CONTENT))
def test_any_thermal_model_is_refused_or_can_be_judged_by(whole):
    if isinstance(whole, dict):
        whole.pop("digest", None)
        try:
            whole["digest"] = thermal_file._digest(whole)
        except ValueError:  # NaN: nobody can write a digest of it
            whole["digest"] = ""
    engine = Engine(heated())
    told = engine.push([ModelOn(T0_US, "mill-1", "thermal", "x", json.dumps(whole))])
    assert 1 == len(told)
    if engine.models_on():
        engine.push(half_an_hour())
        engine.snapshot()


@cache
def kept() -> bytes:
    engine = Engine(SHOP)
    engine.push(stream(SHOP, 3, 200))
    return engine.snapshot()


@generated(usual=40, per_mille=5)
@given(bent_json(kept()))
def test_any_snapshot_is_refused_or_an_engine_comes_of_it(whole):
    try:
        Engine.restore(SHOP, json.dumps(whole).encode())
    except SnapshotError as error:
        refused = str(error)
        assert refused


def same(numbers):
    return numbers


BATCH = pack([*stream(SHOP, 3, 40), samples([(1, T0_US, 0, 1.5, 0, 0, 0)])], same)
SMALL = pack(stream(SHOP, 4, 2)[:3], same)


def inside_of(whole: bytes) -> bytes:
    return zlib.decompress(whole[8:]) if whole[3] else whole[8:]


def wrapped(body: bytes) -> bytes:
    """A batch whose sum is right, whatever is in it."""
    return struct.pack("<2sBBI", b"CM", 1, 0, zlib.crc32(body)) + body


@generated(usual=150, per_mille=90)
@given(bent_bytes(BATCH, SMALL) | bent_bytes(*map(inside_of, (BATCH, SMALL))).map(wrapped))
def test_any_batch_is_refused_or_gives_records(content):
    try:
        records, left_out = unpack(content, same)
    except PackingError as error:
        refused = str(error)
        assert refused
    else:
        assert left_out >= 0
        assert all(hasattr(record, "at_us") or len(record) >= 0 for record in records)


def test_the_batches_that_are_bent_are_whole_before():
    assert [3, 156] == sorted(len(unpack(one, same)[0]) for one in (BATCH, SMALL))
