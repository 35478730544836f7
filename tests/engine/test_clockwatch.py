"""A source's own times: runs taken at once are what they are one by one."""

import numpy as np
import pytest

from condmon.engine.clockwatch import SourceClock
from condmon.engine.records import SECOND_US

NOW_US = 20_500 * 86_400 * SECOND_US


def runs(seed):
    """Runs of one source: live, a backlog handed over, holes, steps back, a clock that is wrong."""
    rng = np.random.default_rng(seed)
    arrived_us, own_us = NOW_US, NOW_US - 1000
    for _ in range(12):
        n = int(rng.integers(1, 12))
        kind = rng.choice(["live", "backlog", "steady", "back"])
        arrived, own = [], []
        for _ in range(n):
            every = {"live": 1.0, "backlog": rng.choice([0.01, 0.3]), "steady": 1.0, "back": 1.0}
            arrived_us += round(float(every[kind]) * SECOND_US)
            if kind == "live":
                own_us = arrived_us - int(rng.integers(0, SECOND_US))
            elif kind == "back":
                own_us -= int(rng.integers(0, 3 * SECOND_US))
            else:
                own_us += int(rng.choice([1, 1, 1, 90])) * SECOND_US
            arrived.append(arrived_us)
            own.append(own_us)
        yield np.array(own), np.array(arrived), rng.normal(0, 1, n)
        if rng.random() < 0.4:  # the link was away, the source kept what it measured
            arrived_us += int(rng.integers(10, 3000)) * SECOND_US


@pytest.mark.parametrize("seed", range(150))
def test_runs_taken_at_once_leave_the_clock_as_one_by_one(seed):
    at_once, one_by_one = SourceClock(), SourceClock()
    for own, arrived, value in runs(seed):
        rows = list(zip(own.tolist(), arrived.tolist(), value.tolist(), strict=True))
        expected = [one_by_one.settle(*row, 0) for row in rows]
        if at_once.plain(own, arrived, value) or at_once.backlog(own, arrived, value):
            assert [(own_us, 0) for own_us, _, _ in rows] == expected
        else:
            for row in rows:
                at_once.settle(*row, 0)
        assert plain(one_by_one.state()) == plain(at_once.state())


def test_a_backlog_is_taken_at_once():
    clock, own = SourceClock(), NOW_US + np.arange(50) * SECOND_US
    assert clock.backlog(own, NOW_US + 100 * SECOND_US + np.arange(50) * 1000, np.zeros(50))


def test_a_lag_that_stays_is_looked_at_one_by_one():
    clock, own = SourceClock(), NOW_US + np.arange(20) * SECOND_US
    assert not clock.backlog(own, own + 100 * SECOND_US, np.zeros(20))


def plain(state):
    """Columns as lists, and no streak where none is counted."""
    out = {name: value for name, value in state.items() if name not in {"recent", "wrong"}}
    out["streak"] = state["streak"] if state["streak"][2] else None
    return out | {name: [c.tolist() for c in state[name]] for name in ("recent", "wrong")}
