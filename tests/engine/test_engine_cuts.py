"""The heart's promise: the same outputs, to the byte, however the stream is cut or restored."""

import json
from collections.abc import Sequence
from dataclasses import asdict

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from condmon.engine.engine import Engine
from condmon.engine.outputs import Judged, Output
from condmon.engine.records import Record
from tests.engine.builders import joined, shop, stream

SHOP = shop()


def lines(outputs: Sequence[Output]) -> list[str]:
    """Outputs as canonical lines; then judged samples row by row, since their runs may be cut."""
    rows, out = [], []
    for output in outputs:
        if isinstance(output, Judged):
            s = output.samples
            rows += [
                f"{at} {n} {v!r} {q} {m}"
                for at, n, v, q, m in zip(
                    output.at_us.tolist(),
                    s.signal.tolist(),
                    s.value.tolist(),
                    s.quality.tolist(),
                    s.mark.tolist(),
                    strict=True,
                )
            ]
        else:
            out.append(type(output).__name__ + json.dumps(asdict(output), sort_keys=True))
    return out + rows


def whole(records: Sequence[Record]) -> list[str]:
    return lines(Engine(SHOP, judged=True).push(records))


def in_pieces(
    records: Sequence[Record], rng: np.random.Generator, cuts: int, restored: float
) -> list[str]:
    """Push piece by piece, going through a snapshot at some of the cuts."""
    engine, out, start = Engine(SHOP, judged=True), [], 0
    for stop in [*sorted(rng.integers(0, len(records), cuts).tolist()), len(records)]:
        out += engine.push(records[start:stop])
        start = stop
        if rng.random() < restored:
            engine = Engine.restore(SHOP, engine.snapshot(), judged=True)
    return lines(out)


@pytest.mark.parametrize("times", [50, pytest.param(200, marks=pytest.mark.long)])
def test_outputs_are_the_same_however_the_stream_is_cut_and_restored(times):
    @settings(max_examples=times, deadline=None)
    @given(st.integers(0, 2**32))
    def holds(seed):
        same_however_cut(seed)

    holds()


def same_however_cut(seed: int) -> None:
    rng = np.random.default_rng(seed)
    records = stream(SHOP, seed, int(rng.integers(60, 500)))
    expected = whole(records)
    assert expected == in_pieces(records, rng, int(rng.integers(1, 40)), 0.5)
    assert expected == whole(joined(records, rng))


@pytest.mark.parametrize("seed", range(4))
def test_outputs_are_the_same_record_by_record(seed):
    records = stream(SHOP, seed, 300)
    engine = Engine(SHOP, judged=True)
    assert whole(records) == lines([o for r in records for o in engine.push([r])])


def test_streams_of_these_tests_raise_and_end_alerts_of_every_kind():
    """Equality of nothing would prove nothing."""
    seen = set()
    for seed in range(12):
        for output in Engine(SHOP).push(stream(SHOP, seed, 900)):
            seen.add(getattr(output, "check", getattr(output, "kind", "")))
    wanted = {
        "air-while-off",
        "oil-missing",
        "bearing-near-trip",
        "coolant-off-set-point",
        "sensor-silent",
        "unattended-stop",
        "hot-and-fast",
        "raised",
        "ended",
        "reminder",
        "door-latch",
        "sensor-unusable",
        "coolant-falling",
        "condmon-link",
        "duty",
        "clock",
        "sensor",
        "gap",
        "action",
        "alert",
        "link",
        "topic",
    }
    assert wanted <= seen, wanted - seen
