"""Checks of hours and days give the same outputs however their stream is cut and restored."""

from collections.abc import Sequence

import numpy as np
import pytest

from condmon.engine.engine import Engine
from condmon.engine.outputs import Output
from condmon.engine.records import SECOND_US, Beacon, Filed, Record, Samples
from tests.engine.test_engine_cuts import lines
from tests.weekbody import Trouble
from tests.weeks import Shop, settings

SHOP = settings()
DAYS = 6
TROUBLES = tuple(
    Trouble(check, machine, day, hour, 12)
    for check, machine, day, hour in (
        ("hydraulic-sagging", "mill-1", 3, 9),
        ("axis-unlike", "mill-1", 3, 8),
        ("axis-trace", "mill-1", 4, 8),
        ("vibration-risen", "mill-1", 4, 8),
        ("hard-stop", "mill-1", 4, 14.5),
        ("chiller-short-cycling", "mill-1", 3, 9),
        ("sensor-spikes", "mill-1", 4, 7),
        ("sensor-noisy", "mill-1", 3, 8),
        ("probe-shift", "mill-1", 4, 6),
        ("compressor-load", "mill-1", 4, 18),
        ("way-oil-falling", "mill-1", 3, 7),
        ("axis-zone", "mill-2", 3, 7),
        ("sensor-stuck", "mill-2", 1, 9),
        ("sensors-swapped", "mill-2", 3, 8),
        ("sensor-drift", "mill-2", 3, 18),
        ("air-leak", "mill-2", 3, 18),
        ("air-down", "mill-2", 4, 11),
        ("way-oil-unused", "mill-2", 3, 6),
        ("coolant-low", "mill-2", 4, 8),
        ("state-contradicts", "mill-1", 1, 9),
        ("air-missing", "mill-2", 1, 9),
    )
)

FILED = {  # day after which it is filed: a visit, the run after it, a new baseline
    1: (("visit", "may", '{"title": "May visit"}'), ("visit_begun", "may", "{}")),
    2: (("finding", "may", '{"text": "wiper torn"}'), ("visit_ended", "may", "{}")),
    3: (("trial", "may", "{}"),),
    4: (("checked", "may", "{}"), ("expected", "mill-1.probe", '{"yes": true}')),
    5: (("baseline", "new", '{"text": "moved"}'),),
}


@pytest.fixture(scope="module")
def records() -> list[Record]:
    shop = Shop(SHOP, 3, TROUBLES)
    out: list[Record] = []
    for day in range(DAYS):
        out += shop.day(day)
        at_us = max(r.at_us for r in out[-3:] if isinstance(r, Beacon))
        for i, (what, key, content) in enumerate(FILED.get(day, ())):
            out.append(Filed(at_us + i, "mill-1", what, "kim", key, content))
    return out


@pytest.fixture(scope="module")
def whole(records: list[Record]) -> tuple[list[str], dict[str, object], list[Output]]:
    engine = Engine(SHOP, judged=True)
    outputs = engine.push(records)
    return lines(outputs), engine.usage(), outputs


def chopped(records: Sequence[Record], rng: np.random.Generator) -> list[Record]:
    """The same records with a beacon a minute more here and there, and runs cut at random."""
    out: list[Record] = []
    for record in records:
        if isinstance(record, Samples) and len(record) > 2:
            at = int(rng.integers(1, len(record)))
            out += [record.cut(0, at), record.cut(at, len(record))]
        else:
            out.append(record)
    return out


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(2))
def test_outputs_and_usage_are_the_same_however_days_are_cut_and_restored(seed, records, whole):
    rng = np.random.default_rng(seed)
    cut = chopped(records, rng)
    engine, out, start = Engine(SHOP, judged=True), [], 0
    for stop in [*sorted(rng.integers(0, len(cut), 150).tolist()), len(cut)]:
        out += engine.push(cut[start:stop])
        start = stop
        if rng.random() < 0.3:
            engine = Engine.restore(SHOP, engine.snapshot(), judged=True)
    assert whole[0] == lines(out)
    assert whole[1] == engine.usage()


@pytest.mark.slow
def test_these_days_raise_the_checks_of_days(whole):
    """Equality of nothing would prove nothing."""
    raised = {getattr(output, "check", "") for output in whole[2]}
    wanted = {trouble.check for trouble in TROUBLES}
    assert wanted <= raised, wanted - raised


@pytest.mark.slow
def test_outputs_are_the_same_second_by_second_and_at_once():
    """As live: a beacon every second, a block a tick, over the full ten minutes of slow checks."""
    shop, begin = Shop(SHOP, 3, TROUBLES), 9 * 3600 + 50
    morning = [r for r in shop.day(1) if isinstance(r, Samples) and len(r)]
    start_us = int(morning[0].arrived_us[0]) // SECOND_US * SECOND_US
    records: list[Record] = []
    for run in morning:
        for row in range(len(run)):
            second = (int(run.arrived_us[row]) - start_us) // SECOND_US
            if begin <= second < begin + 1500:
                records.append(run.cut(row, row + 1))
    beacons = [Beacon(start_us + second * SECOND_US) for second in range(begin, begin + 1500)]
    mixed = sorted([*records, *beacons], key=_at)
    engine = Engine(SHOP, judged=True)
    one_by_one = [output for record in mixed for output in engine.push([record])]
    whole = Engine(SHOP, judged=True)
    assert lines(whole.push(mixed)) == lines(one_by_one)
    assert whole.usage() == engine.usage()


def _at(record: Record) -> int:
    return int(record.arrived_us[0]) if isinstance(record, Samples) else record.at_us
