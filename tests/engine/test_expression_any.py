"""Any text as a condition: compiled or refused in words, and nothing outside is ever touched."""

import sys
import threading

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from condmon.engine.expression import FUNCTIONS, Condition, ExpressionError, check_expression
from condmon.engine.logic import FALSE, TRUE, UNKNOWN
from tests.engine.test_expression import DUTIES, KINDS, block
from tests.generated import generated

TOUCHED: list[str] = []
WATCHING = [0]
"""The thread that is looked at; others go on with what is theirs."""
HARMLESS = {"compile", "object.__getattr__", "object.__setattr__", "object.__delattr__"}
"""Parsing asks for the first; the others are Python's own bookkeeping."""


def _heard(event: str, _: object) -> None:
    if WATCHING[0] == threading.get_ident() and event not in HARMLESS:
        TOUCHED.append(event)


sys.addaudithook(_heard)  # what Python itself tells of: open, import, exec, socket, subprocess ...

NAMES = st.sampled_from([*KINDS, "duty", "nosuch", "__import__", "__builtins__", "self", "np"])
SPANS = st.sampled_from(['"5 s"', '"1 h"', '"0 s"', '"99999 d"', '"-1 s"', '"x"', "5", '""'])
NUMBERS = st.sampled_from(["0", "1", "5", "-3", "1e308", "1e999", "0.5", "9" * 40, "1j", "0x1f"])
LEAVES = NAMES | NUMBERS | st.sampled_from(["True", "None", '"off"', '"turning"', "...", "f''"])
CALLED = st.sampled_from([*FUNCTIONS, "open", "eval", "getattr", "held", "__import__", "print"])


def _grown(inner: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    joins = st.sampled_from(["and", "or", ">", "<", "<=", ">=", "==", "!=", "+", "-", "*", "/",
                             "**", "%", "in", "is", "if", "@", ":="])  # fmt: skip
    return st.one_of(
        st.tuples(inner, joins, inner).map(" ".join).map("({})".format),
        inner.map("not {}".format),
        inner.map("-{}".format),
        st.tuples(CALLED, inner, SPANS).map(lambda t: f"{t[0]}({t[1]}, {t[2]})"),
        st.tuples(CALLED, inner).map(lambda t: f"{t[0]}({t[1]})"),
        inner.map("{}.__class__.__mro__".format),
        inner.map("{}[0]".format),
        inner.map("(lambda: {})()".format),
        inner.map("[x for x in ({},)]".format),
    )


TREES = st.recursive(LEAVES, _grown, max_leaves=8)
TEXTS = st.one_of(
    TREES, TREES, TREES,
    st.text(alphabet=st.characters(codec="utf-8"), max_size=60),
    st.text(alphabet="airpowe ()<>=+-*/.,'\"0123456789andnotr[]{}:@_lmbd", max_size=80),
)  # fmt: skip
COLUMNS = block([0, 1] * 4, **{
    name: np.array([0.0, 1.0, np.nan, 5.0, 1e308, -1e308, 9.0, 1.0]) for name in KINDS
})  # fmt: skip


@generated(usual=400, per_mille=300)
@given(TEXTS)
def test_any_text_is_compiled_or_refused_and_reaches_nothing(text):
    TOUCHED.clear()
    WATCHING[0] = threading.get_ident()
    try:
        problems = check_expression(text, KINDS)
        pair = None if problems else Condition(text, KINDS, DUTIES).push(COLUMNS)
    except ExpressionError:
        pair = None  # a duty that the machine does not have
    finally:
        WATCHING[0] = 0
    assert [] == TOUCHED
    for column in pair or ():
        assert COLUMNS.n == len(column)
        assert {FALSE, UNKNOWN, TRUE} >= set(column.tolist())


def test_the_watch_over_what_is_reached_sees_a_file_being_opened():
    TOUCHED.clear()
    WATCHING[0] = threading.get_ident()
    try:
        open(__file__).close()  # noqa: PTH123
    finally:
        WATCHING[0] = 0
    assert ["open"] == TOUCHED


def test_many_trees_are_conditions_that_can_be_run():
    taken = ['held(power, "5 s")', '(mean(air, "5 s") > 5)', "not power", '(duty == "off")']
    assert [[]] * len(taken) == [check_expression(text, KINDS) for text in taken]
