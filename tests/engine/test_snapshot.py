"""A snapshot comes back whole, or is refused in words."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from condmon.engine.engine import Engine
from condmon.engine.snapshot import SnapshotError, made_under, pack, unpack
from tests.engine.builders import shop, stream

SHOP = shop(1)


def test_state_comes_back_bit_for_bit():
    state = {"a": np.array([1.5, np.nan, -np.inf]), "b": [1, None, "x"], "c": {"d": 2**60}}
    back = unpack(pack(state, "s"), "s")
    assert state["a"].tobytes() == back["a"].tobytes()
    assert (state["b"], state["c"]) == (back["b"], back["c"])


@pytest.mark.parametrize(
    ("blob", "words"),
    [
        (b"", "cannot be read"),
        (b"\x00" * 50, "cannot be read"),
        (b"[]", "cannot be read"),
        (b'{"version":9,"settings":"s","state":{}}', "version 9"),
        (b'{"version":1,"settings":"other","state":{}}', "another configuration"),
        (b'{"version":1,"settings":"s","state":[]}', "no state"),
        (b'{"version":1,"settings":"s","state":{"_array":"|O","b64":""}}', "cannot be read"),
    ],
)
def test_unusable_snapshot_is_refused_in_words(blob, words):
    with pytest.raises(SnapshotError, match=words):
        unpack(blob, "s")


def test_anything_but_plain_state_is_refused_when_packing():
    with pytest.raises(TypeError, match="does not belong"):
        pack({"x": object()}, "s")


@given(st.integers(0, 10**6), st.binary(max_size=3))
def test_damaged_snapshot_of_an_engine_is_refused_and_never_crashes(place, junk):
    blob = BLOB[: place % len(BLOB)] + junk
    with pytest.raises(SnapshotError):
        Engine.restore(SHOP, blob)


def test_snapshot_whose_parts_are_missing_does_not_fit():
    whole = json.loads(BLOB)
    for part in list(whole["state"]):
        less = {**whole, "state": {k: v for k, v in whole["state"].items() if k != part}}
        with pytest.raises(SnapshotError, match="does not fit"):
            Engine.restore(SHOP, json.dumps(less).encode())


@pytest.mark.parametrize("odd", [None, 7, "x", [], {}, [[], {"shape": [0]}], 1e400, {"a": None}])
def test_snapshot_whose_parts_are_of_another_shape_is_refused(odd):
    whole = json.loads(BLOB)
    clocks = whole["state"]["intake"]["clocks"]
    for saved in clocks:
        saved["recent"] = odd
    with pytest.raises(SnapshotError, match="does not fit"):
        Engine.restore(SHOP, json.dumps(whole).encode())


def _blob() -> bytes:
    engine = Engine(SHOP)
    engine.push(stream(SHOP, 3, 200))
    return engine.snapshot()


BLOB = _blob()


def test_configuration_of_a_snapshot_can_be_read_even_where_its_state_holds_nan():
    blob = pack({"unknown": float("nan")}, "abc")
    assert "abc" == made_under(blob)
    assert made_under(blob[:9]) is None
    assert made_under(b"[]") is None
