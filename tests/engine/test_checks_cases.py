"""What the checks of hours, days and sensors say on the cases, and when."""

import numpy as np
import pytest

from condmon.engine.outputs import Alert, Entry, Judged
from condmon.engine.records import GOOD, REASONS, SECOND_US, SUSPECT
from tests.cases import runner

DAY_S = 86400


def alerts_of(case, folder):
    """(alert as it was raised, seconds after the start) of each alert, and the whole result."""
    result = runner.run(case, folder)
    start = runner.parse_rfc3339(runner.expectation(case)["t0"])
    first = {}
    for output in result.outputs:
        if isinstance(output, Alert):
            first.setdefault(output.id, output)
    return [(a, (a.raised_us - start) / SECOND_US) for a in first.values()], result


def test_hard_stop_is_told_at_once_with_its_peaks_and_what_changed_since(tmp_path):
    """M07: load peaks of 191 and 178 % at 10199 s; 5 K hotter afterwards."""
    found, result = alerts_of("M07-after-crash", tmp_path)
    stop, at = found[0]
    assert ("hard-stop", 10199) == (stop.check, at)
    assert "from 8,000 /min to a stand" in stop.what
    assert "spindle load 191 %, load x 178 %" in stop.what
    (since,) = [o for o in result.outputs if isinstance(o, Entry) and o.kind == "since"]
    assert "after the hard stop, at the same speed: bearing upper 32.8 °C before" in since.text
    assert 2 < since.facts["bearing_upper"] < 5.5
    assert "load_x" not in since.facts, "what has not changed is not listed"


def test_axis_that_climbs_away_is_a_note_and_then_a_stronger_word(tmp_path):
    """M14: about day 4 to 5 (22 to 28 %), again near 36 %; nothing about the other axes."""
    found, _ = alerts_of("M14-axis-vs-siblings", tmp_path)
    (note, first), (more, second) = found
    assert {"axis-unlike"} == {note.check, more.check}
    assert [("load_y",), ("load_y",)] == [note.signals, more.signals]
    assert ("note", "today") == (note.urgency, more.urgency)
    assert 4 <= first / DAY_S <= 6
    assert 6 <= second / DAY_S <= 8
    assert 27 <= note.facts["value"] <= 31
    assert 34 <= more.facts["value"] <= 37.5
    assert "The other axes have changed by" in note.what


def test_probe_step_after_a_service_asks_and_without_one_alerts(tmp_path):
    """M16: 18 um after the service, 9 um on day 17 without one."""
    found, _ = alerts_of("M16-probe-shift", tmp_path)
    (after, _), (without, at) = found
    assert "note" == after.urgency
    assert 'the first since "spindle service, drawbar set". Was that meant?' in after.what
    assert "today" == without.urgency
    assert 17 == int(at / DAY_S)
    assert -9.5 == pytest.approx(without.facts["value"] - without.facts["before"], abs=1)


def test_compressor_that_loads_more_at_night_is_one_note(tmp_path):
    """M17: 11 to 40 % of the time, a cycle of 75 s."""
    found, _ = alerts_of("M17-compressor-cycling", tmp_path)
    ((note, at),) = found
    assert ("compressor-load", "note") == (note.check, note.urgency)
    assert "loaded 40 % of the time, once every 75 s; 11 % is usual" in note.what
    assert at / DAY_S < 6


def test_frozen_sensor_is_named_and_its_samples_are_suspect_from_then_on(tmp_path):
    """S01: within half an hour of the first change of speed; no heat alert."""
    found, result = alerts_of("S01-stuck", tmp_path)
    ((stuck, at),) = found
    assert ("sensor-stuck", ("bearing_upper",)) == (stuck.check, stuck.signals)
    lines = runner.lines("S01-stuck")
    speeds = [(x["at"], x["payload"]) for x in lines if x["topic"].endswith("speed")]
    changed = next(s for s, speed in speeds if speed != speeds[0][1])
    assert changed < at <= changed + 1800
    later = {SUSPECT: 0, GOOD: 0}
    for line, judged in zip(lines, result.by_line, strict=True):
        if not line["topic"].endswith("bearing-upper/temp") or line["at"] <= at + 10:
            continue
        for one in judged:
            later[int(one.samples.quality[0])] += 1
            assert REASONS[int(one.samples.reason[0])] in {"", "stuck at one value"}
    assert later[SUSPECT] > 10


def test_growing_noise_and_drift_against_the_sibling_are_two_notes(tmp_path):
    """S05: within ten days, nothing urgent, no repeat."""
    found, _ = alerts_of("S05-noise-and-drift", tmp_path)
    assert ["sensor-noisy", "sensor-drift"] == [a.check for a, _ in found]
    assert {"note"} == {a.urgency for a, _ in found}
    noisy, drift = (a for a, _ in found)
    assert ("air_pressure",) == noisy.signals
    assert "0.054 bar was usual" in noisy.what
    assert "reads 1 K more against bearing lower" in drift.what
    assert all(at < 10 * DAY_S for _, at in found)


def test_four_spikes_an_hour_are_put_aside_and_nobody_is_told(tmp_path):
    """S03: 214 and -55 at the contactor; the bound is ten an hour."""
    found, result = alerts_of("S03-relay-spikes", tmp_path)
    assert [] == found
    values = np.concatenate(
        [
            o.samples.value[o.samples.quality == GOOD]
            for o in result.outputs
            if isinstance(o, Judged)
        ]
    )
    assert values.max() < 60


def test_low_tank_under_a_leak_is_listed_under_it(tmp_path):
    """M12: the leak wakes someone; that the tank is low follows from it."""
    found, result = alerts_of("M12-coolant-leak", tmp_path)
    (leak, _), (low, _) = found
    assert ("coolant-falling", "coolant-low") == (leak.check, low.check)
    assert ("suppressed", leak.id) == (low.state, low.facts["follows"])
    assert [leak.id] == [m.alerts[0] for m in result.messages]
