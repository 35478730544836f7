"""The shop's own conditions: what they mean and refuse; nothing else is reachable."""

import numpy as np
import pytest

from condmon.engine.block import Block, Readings
from condmon.engine.expression import Condition, ExpressionError, check_expression
from condmon.engine.logic import FALSE, TRUE, UNKNOWN
from tests.engine.builders import machine

NAN = float("nan")
MACHINE = machine("mill-1", 0)
KINDS = {s.name: s.kind for s in MACHINE.signals}
DUTIES = ("off", "turning", "idle")


def block(duty=None, **columns):
    """A block with the columns given; the rest is unknown."""
    n = len(next(iter(columns.values()))) if columns else len(duty)
    value = np.full((n, len(MACHINE.signals)), NAN)
    age = np.full((n, len(MACHINE.signals)), np.inf)
    increase = np.zeros((n, len(MACHINE.signals)))
    for i, s in enumerate(MACHINE.signals):
        if s.name in columns:
            value[:, i], age[:, i] = columns[s.name], np.arange(n)
            increase[:, i] = columns[s.name] if s.kind == "counter" else 0
    made = Block(MACHINE, 0, value, age, age, increase, np.arange(n), Readings.joined([]), 0)
    if duty is not None:
        made.duty = np.array(duty, np.int64)
    return made


def on(text, b, deadband=0.0):
    return Condition(text, KINDS, DUTIES, deadband).push(b)[0].tolist()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("air > 5", [FALSE, TRUE, UNKNOWN]),
        ("not air > 5", [TRUE, FALSE, UNKNOWN]),
        ("air > 5 and power", [FALSE, TRUE, UNKNOWN]),
        ("air > 5 or power", [FALSE, TRUE, TRUE]),
        ("air > 5 and closed", [FALSE, UNKNOWN, UNKNOWN]),
        ("power or closed", [UNKNOWN, TRUE, TRUE]),
        ("4 < air <= 9", [FALSE, TRUE, UNKNOWN]),
        ("air == 9", [FALSE, TRUE, UNKNOWN]),
        ("air != 9", [TRUE, FALSE, UNKNOWN]),
        ("air * 2 - 1 >= 17", [FALSE, TRUE, UNKNOWN]),
        ("-air < -5", [FALSE, TRUE, UNKNOWN]),
        ("abs(air - 9) > 5", [TRUE, FALSE, UNKNOWN]),
        ("air / 0 > 1", [UNKNOWN, UNKNOWN, UNKNOWN]),
        ("True and air > 5", [FALSE, TRUE, UNKNOWN]),
        ("age(air) >= 1", [FALSE, TRUE, TRUE]),
    ],
)
def test_condition_follows_three_valued_logic(text, expected):
    assert expected == on(text, block(air=[3, 9, NAN], power=[0, 1, 1]))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('duty == "off"', [TRUE, FALSE, UNKNOWN]),
        ('duty != "off"', [FALSE, TRUE, UNKNOWN]),
    ],
)
def test_duty_is_compared_with_a_word(text, expected):
    assert expected == on(text, block(duty=[0, 1, -1], air=[1, 1, 1]))


def test_functions_look_back_over_their_window():
    b = block(air=[0, 4, 4, 4, 8, 8], power=[0, 1, 1, 1, 0, 1], oil=[0, 1, 0, 2, 0, 0])
    assert [FALSE, FALSE, FALSE, TRUE, FALSE, FALSE] == on('held(power, "2 s")', b)
    assert [0, 1, 1, 1, 1, 2] == [
        sum(on(f'count_rises(power, "60 s") >= {n}', b)[i] == TRUE for n in (1, 2, 3))
        for i in range(6)
    ]
    assert [UNKNOWN, FALSE, FALSE, TRUE, TRUE, TRUE] == on('mean(air, "4 s") >= 3', b)
    assert TRUE == on('lowest(air, "2 s") == 8', b)[-1]
    assert TRUE == on('highest(air, "6 s") == 8', b)[-1]
    assert TRUE == on('89.1 < slope(air, "6 s") < 89.2', b)[-1]  # 26 / 17.5 a second
    assert TRUE == on('increase(oil, "5 s") == 3', b)[-1]


def test_held_is_unknown_where_its_condition_is():
    assert UNKNOWN == on('held(closed, "1 s")', block(air=[1, 1]))[-1]


@pytest.mark.parametrize(
    ("text", "stays"),
    [
        ("air > 10", [TRUE, TRUE, FALSE]),
        ("air < 8", [FALSE, FALSE, TRUE]),
        ("not air < 10", [TRUE, TRUE, FALSE]),
        ("air == 9.5", [FALSE, TRUE, FALSE]),
    ],
)
def test_deadband_eases_only_the_way_back(text, stays):
    condition = Condition(text, KINDS, DUTIES, 1.0)
    assert stays == condition.push(block(air=[10.5, 9.5, 8.5])).stay.tolist()


def test_deadband_of_an_upper_limit_keeps_the_condition_until_it_is_well_below():
    pair = Condition("air > 10", KINDS, DUTIES, 1.0).push(block(air=[10.5, 9.5, 8.5]))
    assert [TRUE, FALSE, FALSE] == pair.on.tolist()
    assert [TRUE, TRUE, FALSE] == pair.stay.tolist()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "not a condition"),
        ("air >", "not a condition"),
        ("air > 5 5", "not a condition"),
        ("air", "compare it"),
        ("air > power", "is a state"),
        ("arr > 5", 'did you mean "air"'),
        ('duty == "offf"', 'did you mean "off"'),
        ("duty == 1", "compare duty with a word"),
        ('duty > "off"', "compare duty with a word"),
        ("air in (1, 2)", "can compare"),
        ("men(air, '5 min') > 1", 'did you mean "mean"'),
        ("mean(air) > 1", "write it as mean"),
        ('mean(air, "2 h") > 1', "at most 1 h"),
        ('mean(air, "5") > 1', "with its unit"),
        ("mean(air, 5) > 1", "with its unit"),
        ('mean(air, "0 s") > 1', "with its unit"),
        ('increase(air, "5 min") > 1', "no counter"),
        ("5 + 5", "here must stand a condition"),
        ("held(power)", "here must stand a condition"),
        ("air > (1 if power else 2)", "a number"),
        ("air > 5 and (lambda: 1)()", "here must stand"),
        ("air ** 2 > 5", "here must stand"),
        ("__import__('os').system('x') > 1", "here must stand"),
        ("air.real > 1", "here must stand"),
        ("air[0] > 1", "here must stand"),
        ("air > '5'", "here must stand"),
        ("f'{air}' > 1", "here"),
        ("(air := 5) > 1", "here must stand"),
        ("[a for a in air] > 1", "here must stand"),
        ("air > 1 " + "and air > 1 " * 100, "at most"),
        ("x" * 2000, "at most"),
        ("(" * 400 + "air" + ")" * 400, "at most|not a condition|compare it"),
        ("\x00", "not a"),
    ],
)
def test_text_outside_the_subset_is_refused_in_words(text, words):
    with pytest.raises(ExpressionError, match=words):
        Condition(text, KINDS, DUTIES)


def test_problem_tells_the_column():
    assert ['this machine has no signal arr; did you mean "air"? (column 15)'] == check_expression(
        "power and not arr > 5", KINDS
    )
    assert [] == check_expression('air > 5 and duty == "off"', KINDS)


def test_names_used_are_those_of_signals():
    assert ["air", "power"] == Condition("air > 5 and power and air < 9", KINDS).names
