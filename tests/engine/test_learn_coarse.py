"""What is learned minutes at once is what second by second gives, and a hole stays a hole."""

import numpy as np

from condmon.engine import records as rec
from condmon.engine.records import NO_TIME, SECOND_US, Action, Beacon, Samples
from condmon.learning.coarse import EVERY_US, coarse
from condmon.learning.history import tables
from tests.engine.test_odd_pattern import DAY0_US, PARTS, SHOP

HOLE = range(990, 2100)


def seconds(n=3600):
    """A batch every fifteen seconds, with a hole in which nobody watched, and a note in it."""
    rng = np.random.default_rng(5)
    value = rng.normal(20.0, 1.0, (n, len(PARTS))).round(2)
    value[:, 0] = 1.0
    batches = []
    for at in range(0, n, 15):
        if at in HOLE:
            continue
        rows = [
            (i, DAY0_US + second * SECOND_US, NO_TIME, float(value[second, i]), 0, 0, 0)
            for second in range(at, at + 15)
            for i in range(len(PARTS))
        ]
        at_us = DAY0_US + (at + 14) * SECOND_US
        batches.append([rec.samples(rows), Beacon(at_us + SECOND_US // 2)])
        if at == 2775:
            batches[-1].append(Action(at_us, "note", "kim", machine="mill-1", text="filter"))
    return batches


def test_frames_are_those_of_every_second():
    fine, few = seconds(), list(coarse(seconds()))
    assert len(few) * 10 < len(fine)
    one, other = tables(fine, SHOP)["mill-1"], tables(few, SHOP)["mill-1"]
    for a, b in zip(one, other, strict=True):
        assert np.array_equal(a, b, equal_nan=a.dtype.kind == "f")
    minute = one.minute - DAY0_US // (60 * SECOND_US)
    assert not ((minute * 60 >= HOLE.start) & (minute * 60 + 59 < HOLE.stop)).any()
    assert len(minute) > 30


def test_no_record_is_lost_and_none_changes_its_place():
    def kept(batches):
        flat = [record for batch in batches for record in batch]
        rows = np.concatenate([r.arrived_us for r in flat if isinstance(r, Samples)])
        return rows.tolist(), [r for r in flat if isinstance(r, Action)]

    assert kept(seconds()) == kept(coarse(seconds()))
    beacons = [r.at_us for b in coarse(seconds()) for r in b if isinstance(r, Beacon)]
    assert beacons == sorted(beacons)
    assert DAY0_US + (HOLE.start - 1) * SECOND_US + SECOND_US // 2 in beacons
    assert len(beacons) <= 3600 * SECOND_US // EVERY_US + 3  # the hole's, the first and the last


def test_payloads_stay_with_their_rows():
    runs = [rec.samples([(0, at, NO_TIME, 0.0, 0, 0, 0)], ((0, text),)) for at, text in
            ((1, b"a"), (2, b"b"), (3, b"c"))]  # fmt: skip
    [[one]] = list(coarse([runs]))
    assert ((0, b"a"), (1, b"b"), (2, b"c")) == one.raw
