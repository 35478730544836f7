"""Line protocol: floats only, names escaped, what is not good never a number, times as settled."""

import math

import pytest

from condmon.clock import SiteCalendar
from condmon.engine import records as rec
from condmon.engine.outputs import Entry
from condmon.engine.records import SECOND_US, Health, Samples, samples
from condmon.engine.settings import Machine, Settings, Signal
from condmon.influx.lines import Lines
from tests.fakes import START_US
from tests.tsserver import Point, read_line

REASON = rec.REASONS.index("outside the plausible range")


def settings(site: str = "North Pier Optics") -> Settings:
    signals = (
        Signal(0, "mill-1", "bearing", "a", "measure", unit="Cel", range=(-20, 200)),
        Signal(1, "mill-1", "power", "b", "state"),
    )
    return Settings(site, SiteCalendar("UTC"), (Machine("mill-1", "Mill", signals),))


def points(run: Samples, site: str = "North Pier Optics") -> list[Point]:
    return [read_line(line.decode()) for line in Lines(settings(site)).of([[run]])]


def row(signal: int, second: float, value: float, quality: int = rec.GOOD, mark: int = 0,
        reason: int = 0, own_us: int = rec.NO_TIME):  # fmt: skip
    return (signal, START_US + round(second * SECOND_US), own_us, value, quality, mark, reason)


def test_measure_and_state_are_floats_with_sorted_tags_and_nanoseconds():
    found = points(samples([row(0, 0, 21.0), row(1, 1, 1.0)]))
    tags = {"machine": "mill-1", "signal": "bearing", "site": "North Pier Optics", "unit": "Cel"}
    assert Point("condmon", tags, {"value": 21.0}, START_US * 1000) == found[0]
    assert {"value": 1.0} == found[1].fields
    assert (START_US + SECOND_US) * 1000 == found[1].at_ns


@pytest.mark.parametrize("value", [0.1 + 0.2, -1.5e-9, 1e22, 123456789.125, -0.0])
def test_value_comes_back_to_the_last_bit(value: float):
    lines = Lines(Settings("", SiteCalendar("UTC"), (
        Machine("m", "", (Signal(0, "m", "x", "a", "measure"),)),)))  # fmt: skip
    [line] = lines.of([[samples([row(0, 0, value)])]])
    assert value.hex() == read_line(line.decode()).fields["value"].hex()


def test_value_that_is_not_good_is_text_beside_its_reason_and_no_value():
    run = samples(
        [row(0, 0, 850.0), row(0, 1, math.nan, rec.BAD, reason=2), row(0, 2, math.nan, rec.NODATA)],
        raw=((1, b'12,5 "x"\\\n'),),
    )
    outside, unread, absent = points(run)
    assert {"reading": "850", "reason": "outside the plausible range"} == outside.fields
    assert "bad" == outside.tags["quality"]
    assert {"reading": '12,5 "x"\\ ', "reason": "not a number"} == unread.fields
    assert "nodata" == absent.tags["quality"]
    assert "reading" not in absent.fields
    assert not [point for point in (outside, unread, absent) if "value" in point.fields]


def test_good_value_with_an_unreadable_date_is_a_value():
    [point] = points(samples([row(0, 0, 40.0, rec.SUSPECT, rec.TIME_UNREADABLE)]))
    assert {"value": 40.0} == point.fields
    assert "quality" not in point.tags


def test_own_time_counts_and_that_of_a_wrong_clock_does_not():
    right = row(0, 1, 40.0, own_us=START_US)
    ahead = row(1, 1, 1.0, own_us=START_US + 3600 * SECOND_US)
    first, second = points(samples([right, ahead]))
    assert START_US * 1000 == first.at_ns
    assert (START_US + SECOND_US) * 1000 == second.at_ns


def test_time_beyond_what_nanoseconds_can_say_is_replaced_by_arrival():
    far = row(0, 0, 40.0, mark=rec.HISTORICAL, own_us=2**62)
    [point] = points(samples([far]))
    assert START_US * 1000 == point.at_ns


def test_repeat_is_left_out():
    run = samples([row(0, 1, 40.0, own_us=START_US), row(0, 2, 40.0, own_us=START_US)])
    assert 1 == len(points(run))


def test_samples_of_one_signal_and_instant_are_kept_apart_however_batches_are_joined():
    batches = [[samples([row(0, 0, 1.0), row(1, 0, 1.0), row(0, 0, 2.0)])],
               [samples([row(0, 5, 3.0), row(0, 5, 4.0), row(0, 5, 5.0)])]]  # fmt: skip
    together = Lines(settings()).of(batches)
    lines = Lines(settings())
    assert together == lines.of(batches[:1]) + lines.of(batches[1:])
    places = [read_line(line.decode()).at_ns % 1000 for line in together]
    assert [0, 0, 1, 0, 1, 2] == places


@pytest.mark.parametrize("site", ["a b", "x,y=z", "back\\slash\\", "line\nbreak", "Æ ø = ü,"])
def test_odd_site_name_comes_through_as_one_tag(site: str):
    [point] = points(samples([row(0, 0, 1.0)]), site)
    assert site.replace("\\", "/").replace("\n", " ") == point.tags["site"]


def test_figure_of_own_health_is_a_signal_of_condmon():
    [line] = Lines(settings()).of([[Health(START_US, "mirror_away_s", 12.5),
                                    Health(START_US, "nobody knows", 1.0)]])  # fmt: skip
    point = read_line(line.decode())
    assert ("condmon", "mirror_away_s") == (point.tags["machine"], point.tags["signal"])
    assert {"value": 12.5} == point.fields


def test_entries_of_one_instant_are_events_apart_with_their_text():
    entry = Entry("id", START_US, "mill-1", "alert", 'door said "no", again\nand \\ again')
    lines = Lines(settings())
    first, second = (read_line(lines.event(n, entry).decode()) for n in (7, 8))
    assert "condmon_event" == first.measurement
    assert {"kind": "alert", "machine": "mill-1", "site": "North Pier Optics"} == first.tags
    assert {"count": 1.0, "text": 'door said "no", again and \\ again'} == first.fields
    assert 1 == second.at_ns - first.at_ns
