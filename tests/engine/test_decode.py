"""Messages into records: numbers, words and states as devices really write them.

The payload lists with a case id are those of the fault cases the project is built against.
"""

import base64

import pytest

from condmon.engine.settings import Payload
from tests.payloads import POWER, one

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


def test_binary_of_the_cases_is_never_a_number():  # P12
    for text in ("QcDMzQ==", "zczAQQ==", "zM1BwA==", "APE="):
        assert (None, "bad", "not readable text") == one(base64.b64decode(text))
