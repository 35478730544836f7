"""Series of calibrations as charts: the published vectors and case M16 through the book's path."""

import json
from pathlib import Path

import numpy as np
import pytest

from condmon.trade.lengths import length_um, said_um, tenths
from condmon.trade.series import beyond, chart_of, steps
from tests.trade.vectors import vector

CASES = Path(__file__).parents[1] / "cases/input"


def m16() -> tuple[list[float], int]:
    """The calibrations of case M16, and how many came before its service entry."""
    text = (CASES / "M16-probe-shift.jsonl").read_text(encoding="utf-8")
    lines = [json.loads(line) for line in text.splitlines()]
    before = next(i for i, line in enumerate(lines) if "do" in line)
    return [float(line["payload"]) for line in lines if "topic" in line], before


def test_chart_of_a_series_has_nist_limits_of_individuals():
    v = vector("imr")  # NIST/SEMATECH e-Handbook 6.3.2.2, second hand
    chart = chart_of(v.column())
    [phase] = chart.phases
    assert v.expected["mean"] == pytest.approx(phase.centre, abs=v.tol)
    assert v.expected["ucl"] == pytest.approx(phase.high, abs=v.tol)
    assert v.expected["lcl"] == pytest.approx(phase.low, abs=v.tol)
    assert v.expected["mr_ucl_D4_3267"] == pytest.approx(phase.mr_high, abs=v.tol)
    assert not chart.out.any()


def test_chart_of_a_series_has_nist_ewma_where_target_and_sigma_are_known():
    v = vector("ewma")  # NIST/SEMATECH e-Handbook 6.3.2.4, second hand
    chart = chart_of(v.column(), target=v.input["target"], sigma=v.input["s"])
    assert v.expected["ewma2dp"][1:] == pytest.approx(chart.ewma.tolist(), abs=0.0051)
    assert v.expected["ucl_exact_first5"] == pytest.approx(chart.ewma_high[:5].tolist(), abs=5e-5)
    assert not chart.drift.any()


def test_both_steps_of_case_m16_stand_out_and_its_scatter_does_not():
    values, before = m16()
    plain = chart_of(values)
    assert [before] == [step.row for step in steps(plain)]  # 18 um at the first after the service
    assert 17.5 == pytest.approx(steps(plain)[0].size, abs=0.5)
    confirmed = chart_of(values, [before])
    [second] = steps(confirmed)
    assert (17, -10.3) == (second.row, pytest.approx(second.size, abs=0.3))  # 9 um, day 17


def test_confirmed_step_begins_a_phase_whose_mean_knows_nothing_of_the_old_one():
    values, before = m16()
    old, new = chart_of(values, [before]).phases
    assert -0.5 == pytest.approx(old.centre, abs=0.1)
    assert 18.6 == pytest.approx(new.centre, abs=0.1)
    assert np.isnan(chart_of(values, [before]).moved[before])


def test_slow_drift_inside_the_limits_is_seen_by_the_ewma():
    steady = np.array([0.0, 1.0, -1.0, 0.5, -0.5, 1.0, -1.0, 0.0, 0.5, -0.5])
    chart = chart_of(np.concatenate([steady, steady[:8] + 2.0]))
    assert not chart.out[:10].any()
    assert chart.drift[-1]


def test_four_values_have_no_limits_yet():
    chart = chart_of([1.0, 2.0, 1.0, 30.0])
    assert ((), False) == (chart.phases, bool(chart.out.any()))


def test_gauge_that_repeats_one_figure_is_judged_by_its_resolution():
    values = [4.0] * 8 + [4.5, 12.0]
    assert () == chart_of(values).phases  # nothing scatters, so nothing can be said
    assert [9] == [step.row for step in steps(chart_of(values, resolution=1.0))]


def test_tenth_is_2_54_micrometres():
    assert 2.54 == length_um(1, "tenth")
    assert 17.78 == pytest.approx(length_um(7, "tenths"))
    assert 18.0 == pytest.approx(length_um(0.018, "mm"))
    assert 25.4 == pytest.approx(length_um(1, "thou"))
    assert length_um(1, "bar") is None
    assert 7.0866 == pytest.approx(tenths(18.0), abs=1e-4)
    assert "18 um (7.1 tenths)" == said_um(18.0)


def test_tolerance_is_within_up_to_its_end():
    assert not beyond(5.0, 0.0, 5.0)
    assert beyond(-5.1, 0.0, 5.0)
