"""What is normal for a signal at a duty, and that the machine's page tells it."""

import re

import numpy as np

from condmon.engine.records import SECOND_US
from condmon.web.normal import SETTLING_US, runs_of, without
from condmon.web.rings import RANGE_CELLS_MIN, Ring
from tests.waiting import until
from tests.web.house import House
from tests.web.stage import fill_past
from tests.web.test_pages import said

HOUR_US = 3600 * SECOND_US
CELL_S = 120
START_S = 1_800_000_000


def test_runs_at_a_duty_begin_once_the_machine_has_settled():
    changes = [(-HOUR_US, "off"), (HOUR_US, "turning"), (3 * HOUR_US, "idle"),
               (5 * HOUR_US, "turning")]  # fmt: skip
    assert [(HOUR_US + SETTLING_US, 3 * HOUR_US), (5 * HOUR_US + SETTLING_US, 6 * HOUR_US)] == (
        runs_of(changes, "turning", 0, 6 * HOUR_US)
    )
    assert [(SETTLING_US, HOUR_US)] == runs_of(changes, "off", 0, 6 * HOUR_US)
    assert [] == runs_of([(0, "turning")], "turning", 0, SETTLING_US)
    assert [] == runs_of([], "turning", 0, HOUR_US)


def test_what_lies_within_alerts_is_cut_out():
    assert [(0, 3), (5, 9)] == without([(0, 9)], [(3, 5)])
    assert [(6, 9)] == without([(0, 2), (4, 9)], [(0, 3), (3, 6)])
    assert [] == without([(4, 5)], [(0, 9)])


def filled(values: list[float]) -> Ring:
    ring = Ring(1, CELL_S, 1000)
    at_us = (START_S + CELL_S * np.arange(len(values))) * SECOND_US
    ring.add(np.zeros(len(values), np.int64), at_us.astype(np.int64), np.array(values, float))
    return ring


def between(first: int, last: int) -> tuple[int, int]:
    """The span of some cells."""
    return (START_S + CELL_S * first) * SECOND_US, (START_S + CELL_S * last) * SECOND_US


def test_the_range_leaves_out_what_is_rare_and_what_lies_outside_the_spans():
    ring = filled([20.0] * 50 + [30.0 + n % 3 for n in range(98)] + [99.0, -40.0])
    assert (30.0, 32.0) == ring.range(0, [between(50, 150)])
    assert (20.0, 20.0) == ring.range(0, [between(0, 20), between(30, 50)])


def test_too_little_gives_no_range():
    ring = filled([30.0] * 100)
    assert ring.range(0, [between(0, RANGE_CELLS_MIN)]) is not None
    assert ring.range(0, [between(0, RANGE_CELLS_MIN - 1)]) is None
    assert ring.range(0, []) is None
    assert ring.range(0, [between(5000, 6000), between(-900, -800)]) is None


def test_the_page_of_a_machine_tells_what_is_usual_at_what_it_is_doing(tmp_path):
    fill_past(tmp_path, hours=9)
    house = House(tmp_path).start()
    try:
        house.healthy()
        until(lambda: house.parts.past.whole, 60, "the past is read")
        client = house.client(house.member("ben"))
        until(lambda: "turning since" in said(client.get("/machines/mill-1")), 10, "it turns")
        text = said(client.get("/machines/mill-1"))
        usual = r"usual while turning (\d+\.?\d*) to (\d+\.?\d*) °C"
        found = re.search(r"lower spindle bearing \S+ °C \d+ s ago · " + usual, text)
        assert found, text
        assert 20 < float(found[1]) < float(found[2]) < 45
        assert re.search(r"spindle speed \S+ /min \d+ s ago · usual while turning 8,000 /min", text)
    finally:
        house.stop()
