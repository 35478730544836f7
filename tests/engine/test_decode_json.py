"""Messages into records: JSON documents, arrays, pointers and the times beside the values."""

import pytest

from condmon.engine.decode import Arrived, Decoder
from condmon.engine.records import BAD, RETAINED, TIME_UNREADABLE, ZONE_ASSUMED
from condmon.engine.settings import Payload, Signal
from tests.payloads import AT_US, TOPIC, decoder, one, read, settings_of


def test_arrays_are_spread_over_their_own_times():  # P05 line 2
    packed = '{"t0":"2025-11-24T06:00:10Z","dt":1.0,"v":[38.5,"x",null,38.8]}'
    rows = read(packed, payload=Payload(value="/v", time="/t0", dt="/dt"))
    assert [
        (38.5, "good", 10.0),
        (None, "bad", 11.0),
        (None, "nodata", 12.0),
        (38.8, "good", 13.0),
    ] == [(value, quality, own) for value, quality, _, own, _ in rows]


def test_an_array_with_a_known_step_and_no_time_ends_at_its_arrival():
    rows = read("[1,2,3]", payload=Payload(dt_s=0.5))
    assert [(1.0, -1.0), (2.0, -0.5), (3.0, 0.0)] == [(row[0], row[3]) for row in rows]


@pytest.mark.parametrize("step", ["0", "-1", "null", '"1"', "1e9", "true"])
def test_an_array_whose_step_makes_no_sense_is_refused(step):
    packed = f'{{"t":1763964000,"dt":{step},"v":[1,2]}}'
    rows = read(packed, payload=Payload(value="/v", time="/t", dt="/dt"))
    assert [(None, "bad", "array without times", 0.0, 0)] == rows


def test_one_bad_element_costs_one_sample():  # P05 line 3
    rows = read(
        '[{"t":"2025-11-24T06:00:30Z","v":39.5},{"t":"2025-11-24T06:00:32Z","v":null},'
        '{"t":"2025-11-24T06:00:34Z","v":"x"},{"t":"2025-11-24T06:00:36Z","v":39.6},{"t":5}]',
        payload=Payload(each="", value="/v", time="/t"),
    )
    assert [
        (39.5, "good", 30.0),
        (None, "nodata", 32.0),
        (None, "bad", 34.0),
        (39.6, "good", 36.0),
        (None, "bad", None),
    ] == [(value, quality, own) for value, quality, _, own, _ in rows]


NAMED = '{"samples":[{"n":"upper","v":39.7},{"n":"lower","v":36.1}],"t":"2025-11-24T06:00:50Z"}'


def test_only_the_element_that_is_named_is_read_and_time_stands_beside_the_array():  # P05 line 4
    where = Payload(each="/samples", where=("/n", "upper"), value="/v", time="/t")
    assert [(39.7, "good", "", 50.0, 0)] == read(NAMED, payload=where)


def test_messages_for_another_sensor_on_the_same_topic_say_nothing():
    where = Payload(where=("/id", "7"), value="/v")
    assert [(1.0, "good", "", None, 0)] == read('{"id":7,"v":1}', payload=where)
    topic = decoder(payload=where)
    assert [] == topic.decode([Arrived(AT_US, TOPIC, b'{"id":8,"v":1}')])
    assert (None, "bad", "nothing at that place in the payload") == one('{"v":1}', payload=where)


def test_elements_without_times_are_not_thrown_together():
    rows = read('[{"v":1},{"v":2}]', payload=Payload(each="", value="/v", time="/t"))
    assert ["array without times"] * 2 == [row[2] for row in rows]
    rows = read('[{"v":1,"t":"soon"},{"v":2,"t":"late"}]', payload=Payload(each=""))
    assert [TIME_UNREADABLE] * 2 == [row[4] for row in rows]
    assert ["suspect"] * 2 == [row[1] for row in rows]


def test_pointers_follow_rfc_6901():
    document = '{"a/b":1,"m~n":2,"":3,"x":[4,{"y":5}],"0":6}'
    for text, value in (
        ("/a~1b", 1),
        ("/m~0n", 2),
        ("/", 3),
        ("/x/0", 4),
        ("/x/1/y", 5),
        ("/0", 6),
    ):
        assert (value, "good", "") == one(document, payload=Payload(value=text))
    for text in ("/x/2", "/x/-", "/x/01", "/x/99999999999", "/q", "/a~1b/c", "/x/\u0661"):
        nothing = one(document, payload=Payload(value=text))
        assert (None, "bad", "nothing at that place in the payload") == nothing


def test_two_signals_of_one_topic_where_each_message_carries_one():
    both = Decoder(
        settings_of(
            Signal(0, "mill-1", "a", TOPIC, "measure", payload=Payload(value="/a")),
            Signal(1, "mill-1", "b", TOPIC, "measure", payload=Payload(value="/b")),
        )
    )
    (run,) = both.decode(
        [
            Arrived(AT_US, TOPIC, b'{"a":1}'),
            Arrived(AT_US, TOPIC, b'{"b":2}'),
            Arrived(AT_US, TOPIC, b'{"c":3}'),
            Arrived(AT_US, TOPIC, b"{"),
        ]
    )
    assert [0, 1, 0, 1, 0, 1] == run.signal.tolist()
    assert [1.0, 2.0] == run.value.tolist()[:2]
    assert [BAD] * 4 == run.quality.tolist()[2:]


def test_the_only_scalar_beside_time_and_unit_is_the_value():
    assert [(3.5, "good", "", 0.0, 0)] == read('{"temp":3.5,"ts":1763964000,"unit":"C"}')
    assert [(3.5, "good", "", 1.0, 0)] == read('{"temp":3.5,"timestamp":"2025-11-24T06:00:01Z"}')


def test_a_pointer_for_the_value_reads_time_only_where_it_is_told():
    assert [(21.5, "good", "", None, 0)] == read('{"t":21.5}', payload=Payload(value="/t"))
    assert [(21.5, "good", "", None, 0)] == read(
        '{"a":21.5}', payload=Payload(value="/a", time="/q")
    )


TIMES = [
    ('{"v":1,"t":1763964000}', 0.0, 0),
    ('{"v":1,"t":1763964040.25}', 40.25, 0),
    ('{"v":1,"t":"1763964050000"}', 50.0, 0),
    ('{"v":1,"t":"2025-11-24T07:01:20+0100"}', 80.0, 0),
    ('{"v":1,"t":"2025-11-24T06:01:30"}', 90.0, ZONE_ASSUMED),
    ('{"v":1,"t":"24.11.2025 06:02:00"}', None, TIME_UNREADABLE),
    ('{"v":1,"t":"soon"}', None, TIME_UNREADABLE),
    ('{"v":1,"t":null}', None, 0),
    ('{"v":1}', None, 0),
    ('{"v":1,"t":"2025-02-29T12:00:00Z"}', None, TIME_UNREADABLE),
    ('{"v":1,"t":"2025-12-31T23:59:60Z"}', 3261600.0, 0),
    ('{"v":1,"t":-1}', -1763964001.0, 0),
    ('{"v":1,"t":9223372036854775808}', 7459408036.854775, 0),
    ('{"v":1,"t":1e300}', None, TIME_UNREADABLE),
    ('{"v":1,"t":[]}', None, TIME_UNREADABLE),
]


@pytest.mark.parametrize(("payload", "own_s", "mark"), TIMES)
def test_time_of_the_source_or_a_mark_and_the_value_is_kept(payload, own_s, mark):  # P07, T07
    quality = "suspect" if mark == TIME_UNREADABLE else "good"
    assert [(1.0, quality, "", own_s, mark)] == read(payload)


def test_times_without_a_zone_take_the_sites_clock():
    local = Decoder(settings_of(Signal(0, "m", "x", TOPIC, "measure")), lambda _: 3600)
    (run,) = local.decode([Arrived(AT_US, TOPIC, b'{"v":1,"t":"2025-11-24T07:00:00"}')])
    assert [AT_US] == run.own_us.tolist()


def test_retained_messages_are_marked_and_repeats_are_left_to_intake():  # P09, P10
    assert [(71.0, "good", "", None, RETAINED)] == read("71.0", retain=True)
    twice = [Arrived(AT_US + at, TOPIC, b'{"v":38.4,"t":1763964000,"n":1}') for at in (0, 1)]
    (run,) = decoder().decode(twice)
    assert [38.4, 38.4] == run.value.tolist()
    assert [AT_US, AT_US + 1] == run.arrived_us.tolist()


def test_numbers_that_only_a_judge_could_doubt_are_good_here():  # P15, P17
    for payload in ("85.0", "-127", "6553.5", "-3276.8", "1372", "0.0", "65535"):
        assert (float(payload), "good", "") == one(payload)
    assert (4294960000.0, "good", "") == one("4294960000", kind="counter", unit="1")


def test_json_form_takes_nothing_else_and_text_form_no_json():
    assert (38.4, "good", "") == one("38.4", payload=Payload(form="json"))
    assert (None, "bad", "not readable text") == one("+38.4", payload=Payload(form="json"))
    assert (None, "nodata", "empty") == one("", payload=Payload(form="json"))
    assert (None, "nodata", "says it has no value") == one("n/a", payload=Payload(form="json"))
    assert (None, "bad", "not a number") == one('{"v":1}', payload=Payload(form="text"))
