"""Messages into records: payloads as devices really write them.

The payload lists with a case id are those of the fault cases the project is built against.
"""

import base64
import math
import tracemalloc

import pytest

from condmon.engine.decode import Arrived, Decoder
from condmon.engine.records import (
    BAD,
    NO_TIME,
    QUALITIES,
    REASONS,
    RETAINED,
    SECOND_US,
    TIME_UNREADABLE,
    ZONE_ASSUMED,
    Samples,
    Stray,
)
from condmon.engine.settings import Machine, Payload, Settings, Signal

AT_US = 1_763_964_000_000_000  # 2025-11-24T06:00:00Z
TOPIC = "site/mill-1/spindle/bearing-upper/temp"


class _NoCalendar:
    def minute_of_week(self, at_us):
        return 0

    def text(self, at_us):
        return ""

    def next_local(self, at_us, minute_of_day, days):
        return at_us


def settings_of(*signals: Signal):
    return Settings("test", _NoCalendar(), (Machine("mill-1", "Mill", signals),))


def decoder(kind="measure", unit="Cel", topic=TOPIC, **more):
    return Decoder(settings_of(Signal(0, "mill-1", "x", topic, kind, unit=unit, **more)))


POWER = {
    "kind": "state",
    "unit": "1",
    "words_on": ("on", "active"),
    "words_off": ("off", "inactive"),
}


def read(text, retain=False, **signal):
    """(value, quality, reason, own seconds after AT_US, mark) of each sample of one payload."""
    body = text if isinstance(text, bytes) else text.encode()
    (run,) = decoder(**signal).decode([Arrived(AT_US, TOPIC, body, retain)])
    return [
        (
            None if math.isnan(value) else value,
            QUALITIES[quality],
            REASONS[reason],
            None if own == NO_TIME else (own - AT_US) / SECOND_US,
            mark,
        )
        for value, quality, reason, own, mark in zip(
            run.value.tolist(),
            run.quality.tolist(),
            run.reason.tolist(),
            run.own_us.tolist(),
            run.mark.tolist(),
            strict=True,
        )
    ]


def one(text, **signal):
    (row,) = read(text, **signal)
    return row[:3]


NOT_FINITE = [
    "NaN", "nan", "-nan", "-nan(ind)", "1.#QNAN", "inf", "-inf", "Infinity", "+INF", "1e400",
    '{"v":NaN}', '{"v":Infinity}', '{"v":1e400}', '{"v":-Infinity}', "9" * 5000,
    '{"v":' + "9" * 5000 + "}", '{"v":"nan"}', '{"v":' + "9" * 390 + "}",
]  # fmt: skip


@pytest.mark.parametrize("payload", NOT_FINITE, ids=lambda v: v[:16])
def test_what_is_not_finite_is_bad_in_every_spelling(payload):  # P01
    assert (None, "bad", "not finite") == one(payload)


NO_DATA = [
    ("", "empty"), ("   ", "empty"), ('""', "empty"), ("{}", "empty"), ("[]", "empty"),
    ('{"v":[]}', "empty"), ("n/a", "says it has no value"), ("UNAVAILABLE", "says it has no value"),
    ("null", "says it has no value"), ('{"v":null}', "says it has no value"),
    ('{"v":"N/A"}', "says it has no value"),
]  # fmt: skip


@pytest.mark.parametrize(("payload", "reason"), NO_DATA)
@pytest.mark.parametrize("kind", ["measure", "state", "counter", "moment", "calibration", "trace"])
def test_no_value_is_no_data_for_every_kind(payload, reason, kind):  # P08, P14
    assert (None, "nodata", reason) == one(payload, kind=kind)


NUMBERS = [
    ("21.5", 21.5), ("21.5 C", 21.5), ("21.5\u00b0C", 21.5), (b"21.5\xb0C", 21.5), (" 6.3", 6.3),
    ("21.5\r\n", 21.5), ("70.7 F", 21.5), ("21.50000000000001", 21.5), ("2.15e1", 21.5),
    ("+21.5", 21.5), ("-.5", -0.5), ("5.", 5.0), ("294.65 K", 21.5), (b"\xef\xbb\xbf38.4", 38.4),
    (b'\xef\xbb\xbf{"v":38.5}', 38.5), (b"38.4\x00", 38.4), (b'{"v":38.5}\x00', 38.5),
    ('"38.4"', 38.4), ('{"v":"38.4 C"}', 38.4), ("\u00a021.5\u00a0C", 21.5), (' \n{"v":1}', 1.0),
    ("0.1" + "0" * 500, 0.1),
]  # fmt: skip


@pytest.mark.parametrize(("payload", "value"), NUMBERS, ids=lambda v: repr(v)[:24])
def test_numbers_with_units_blanks_and_marks_are_read(payload, value):  # P02, P08
    number, quality, _ = one(payload)
    assert (pytest.approx(value, abs=1e-9), "good") == (number, quality)


REFUSED = [
    ("21,5", "decimal comma not switched on"), ("-0,5", "decimal comma not switched on"),
    ("1,000", "ambiguous number"), ("1.234,5", "ambiguous number"),
    ("1,234,567", "ambiguous number"),
    ("1.234.567", "ambiguous number"), ("21.5 bar", "unit of another quantity"),
    ("21.5;", "not a number"), ("1_000", "not a number"), ("21 500", "not a number"),
    ("\u0661\u0662", "not a number"), ("0x1F", "not a number"), ("-", "not a number"),
    ("--", "not a number"), ("x", "not a number"), ("true", "not a number"),
    ("5, 6", "not a number"),
    ('{"v":true}', "not a number"), ('{"v":"x"}', "not a number"),
    ('"21,5"', "decimal comma not switched on"),
    (b"\x00", "not readable text"), (b"38.4\x00\x00garbage", "not readable text"),
    (b"\x41\xc0\xcc\xcd", "not readable text"), (b"\xcd\xcc\xc0\x41", "not readable text"),
    (b"\xcc\xcd\x41\xc0", "not readable text"), (b"\x00\xf1", "not readable text"),
    ("[39.8,39.9,40.0]", "array without times"), ('{"v":[1,2]}', "array without times"),
    ('{"a":1,"b":2}', "nothing at that place in the payload"),
    ('{"v":{"a":1}}', "nothing at that place in the payload"),
    ('{"d":{"temp":1}}', "nothing at that place in the payload"),
    ("{broken", "not readable text"), ("[" * 60000, "not readable text"),
    ("x" * 5000, "not a number"),
]  # fmt: skip


@pytest.mark.parametrize(("payload", "reason"), REFUSED, ids=lambda v: repr(v)[:24])
def test_what_is_no_number_is_bad_with_its_reason(payload, reason):  # P02, P05, P08, P12
    assert (None, "bad", reason) == one(payload)


def test_decimal_comma_where_it_is_switched_on():  # P02 lines 2, 9, 10, 13
    comma = {"payload": Payload(decimal_comma=True)}
    assert (21.5, "good", "") == one("21,5", **comma)
    assert (-0.5, "good", "") == one("-0,5 C", **comma)
    assert (0.5, "good", "") == one("0,500", **comma)
    assert (21.5, "good", "") == one("21.5", **comma)
    assert (1.234, "good", "") == one('{"v":1.234}', **comma)
    for text in ("1,000", "1.234,5", "1,234.5", "1.234"):
        assert (None, "bad", "ambiguous number") == one(text, **comma)


def test_a_unit_beside_the_value_in_json_is_heeded():
    path = {"payload": Payload(value="/d/temp/value")}
    assert (38.5, "good", "") == one('{"d":{"temp":{"value":38.5,"unit":"degC"}}}', **path)
    assert (pytest.approx(21.5), "good", "") == one('{"v":70.7,"unit":"degF"}')
    assert (None, "bad", "unit of another quantity") == one('{"v":6.1,"unit":"bar"}')
    assert (6.1, "good", "") == one('{"v":6.1,"unit":"our own word"}')


STATES = [
    ("ON", 1), ("OFF", 0), ("true", 1), ("false", 0), ("True", 1), ("1", 1), ("0", 0),
    ("ACTIVE", 1), ("INACTIVE", 0), ("Off ", 0), ("on\n", 1), ('"ON"', 1), ('{"state":"OFF"}', 0),
    ("1.0", 1), ("0.0", 0), ('{"v":true}', 1), ('{"v":0.0}', 0), ('{"v":1}', 1), ("-0", 0),
]  # fmt: skip


@pytest.mark.parametrize(("payload", "value"), STATES)
def test_words_of_a_state(payload, value):  # P03
    assert (value, "good", "") == one(payload, **POWER)


@pytest.mark.parametrize(
    "payload",
    [b"\x01", "2", "maybe", "yes", '{"v":2}', "nan", "0.5", "NORMAL|x", "offf", "o" * 9000],
)
def test_an_unknown_word_is_bad_and_not_off(payload):  # P03, P14
    assert (None, "bad", "unknown word") == one(payload, **POWER)


def test_a_shop_may_turn_the_figures_round():
    low = {"kind": "state", "words_on": ("0",), "words_off": ("1",)}
    assert (1.0, "good", "") == one("0", **low)
    assert (0.0, "good", "") == one('{"v":1}', **low)
    assert (0.0, "good", "") == one("1.0", **low)


def test_a_moment_is_a_happening_unless_it_says_otherwise():
    assert (1.0, "good", "") == one("pulse", kind="moment")
    assert (3.0, "good", "") == one("3", kind="moment")
    assert (3.0, "good", "") == one('{"v":3}', kind="moment")
    assert (0.0, "good", "") == one("false", kind="moment")
    assert (1.0, "good", "") == one('{"v":true}', kind="moment")
    assert (1.0, "good", "") == one('{"v":"push"}', kind="moment")
    assert (1.0, "good", "") == one('{"t":1763964000}', kind="moment")
    assert (None, "bad", "not finite") == one("inf", kind="moment")
    assert (None, "bad", "unknown word") == one("bump", kind="moment", words_on=("push",))
    assert (None, "bad", "not readable text") == one(b"a\0b", kind="moment")


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


def test_a_payload_over_the_bound_is_refused_unread_and_not_kept():  # P12
    big = b"\xea\xfb" * 150_000
    watched = decoder()
    messages = [Arrived(AT_US, TOPIC, big)] * 50
    watched.decode(messages[:1])
    tracemalloc.start()
    (run,) = watched.decode(messages)
    kept, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert ["payload too large"] * 50 == [REASONS[reason] for reason in run.reason]
    assert (0, big[:64]) == run.raw[0]
    assert kept < 100_000
    junk = b'{"v":38.5,"junk":"' + b"x" * 9000 + b'"}'
    assert [38.5] == watched.decode([Arrived(AT_US, TOPIC, junk)])[0].value.tolist()


def test_refused_payloads_keep_their_first_bytes_at_the_right_row():
    (run,) = decoder().decode(
        [Arrived(AT_US, TOPIC, text) for text in (b"1", b"maybe", b"", b"2", b"y" * 100)]
    )
    assert ((1, b"maybe"), (4, b"y" * 64)) == run.raw


LOOK_ALIKES = [
    "/" + TOPIC, TOPIC + "/", TOPIC.replace("/mill", "//mill"), TOPIC.replace("mill-1", "mill 1"),
    TOPIC.title(), TOPIC + " ",
]  # fmt: skip
OTHERS = [
    "site/" + "a/" * 190 + "temp", "site/../mill-1/temp", 'site/mill-1/a,b=c d"e/temp',
    "site/%s/{0}/temp", "site/mill-1", "site/fr\u00e4se-1/spindle/temp", "\udc80",
]  # fmt: skip


@pytest.mark.parametrize("topic", LOOK_ALIKES)
def test_a_look_alike_is_no_sample_and_names_the_topic_it_resembles(topic):  # P11
    assert [Stray(AT_US, topic, TOPIC)] == decoder().decode([Arrived(AT_US, topic, b"38.4")])


@pytest.mark.parametrize("topic", OTHERS, ids=lambda v: ascii(v)[:20])
def test_other_topics_are_strays_told_once(topic):  # P11
    watched = decoder()
    assert [Stray(AT_US, topic)] == watched.decode([Arrived(AT_US, topic, b"38.4")] * 3)
    assert [] == watched.decode([Arrived(AT_US, topic, b"38.4")])


def test_composed_and_decomposed_letters_are_two_topics_that_look_alike():  # P11
    composed, split = "site/fr\u00e4se/temp", "site/fra\u0308se/temp"
    watched = decoder(topic=composed)
    run, stray = watched.decode([Arrived(AT_US, composed, b"1"), Arrived(AT_US, split, b"1")])
    assert [1.0] == run.value.tolist()
    assert Stray(AT_US, split, composed) == stray


def test_the_brokers_own_topics_make_one_stray():
    own = [Arrived(AT_US, f"$SYS/broker/{n}", b"1") for n in range(50)]
    assert [Stray(AT_US, "$SYS/broker/0")] == decoder().decode(own)


def test_the_list_of_strays_is_bounded_and_says_that_there_are_more():
    watched = decoder()
    records = watched.decode([Arrived(AT_US, f"x/{n}", b"1") for n in range(500)])
    assert [f"x/{n}" for n in range(200)] + [""] == [stray.topic for stray in records]
    assert [] == watched.decode([Arrived(AT_US, "y", b"1")])


def test_records_keep_the_order_of_arrival():
    watched = decoder()
    records = watched.decode(
        [
            Arrived(AT_US, TOPIC, b"1"),
            Arrived(AT_US + 1, TOPIC, b"x"),
            Arrived(AT_US + 2, "other", b"1"),
            Arrived(AT_US + 3, TOPIC, b"2"),
        ]
    )
    first, stray, last = records
    assert isinstance(first, Samples)
    assert isinstance(last, Samples)
    assert ([AT_US, AT_US + 1], AT_US + 2, [AT_US + 3]) == (
        first.arrived_us.tolist(),
        stray.at_us,
        last.arrived_us.tolist(),
    )
    assert [] == watched.decode([])


def test_binary_of_the_cases_is_never_a_number():  # P12
    for text in ("QcDMzQ==", "zczAQQ==", "zM1BwA==", "APE="):
        assert (None, "bad", "not readable text") == one(base64.b64decode(text))
