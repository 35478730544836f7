"""The line of every key, and how broken lines are told and read past."""

import json
import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from condmon.config.text import BROKEN_LINES_MAX, Path, find_lines, parse

TRICKY = '''\
# a = 1
"quoted key" = 1
'single' . "dotted\\u0041" = 2
list = [ # [not.a.section]
  "]", '[', # ] "
  [1, 2],
]
long = """
[not.a.section]
key = 1 \\""" \\\\"""
raw = \'\'\'
x = "\'\'\'
five = """two quotes: """""
inline = { a = 1, b = [ { c = 2 } ] }

[one]
  x = 1
[[ many ]]
x = 1
[many.below]
y = 2
[[many]]
[many."below"]
y = 3
[[many.deep]]
z = 4
[[many.deep]]
z = 5
[one.two.three]
x = """a
b"""
end = 1'''


def leaves(tree: Any, path: Path = ()) -> list[Path]:
    """The path of everything that can have a line: keys, sections, elements of their arrays."""
    found = [path] if path else []
    if isinstance(tree, dict):
        for key, below in tree.items():
            found += leaves(below, (*path, key))
    elif isinstance(tree, list) and tree and all(isinstance(row, dict) for row in tree):
        for number, row in enumerate(tree):
            found += leaves(row, (*path, number))
    return found


def test_the_tricky_text_is_toml():
    assert tomllib.loads(TRICKY)["five"] == 'two quotes: ""'


@pytest.mark.parametrize(
    ("path", "row"),
    [
        (("quoted key",), '"quoted key" = 1'),
        (("single", "dottedA"), "'single' . \"dotted\\u0041\" = 2"),
        (("list",), "list = [ # [not.a.section]"),
        (("long",), 'long = """'),
        (("raw",), "raw = '''"),
        (("five",), 'five = """two quotes: """""'),
        (("inline",), "inline = { a = 1, b = [ { c = 2 } ] }"),
        (("inline", "b", 0, "c"), "inline = { a = 1, b = [ { c = 2 } ] }"),
        (("one",), "[one]"),
        (("one", "x"), "  x = 1"),
        (("many", 0), "[[ many ]]"),
        (("many", 0, "below", "y"), "y = 2"),
        (("many", 1), "[[many]]"),
        (("many", 1, "below", "y"), "y = 3"),
        (("many", 1, "deep", 0, "z"), "z = 4"),
        (("many", 1, "deep", 1, "z"), "z = 5"),
        (("one", "two", "three", "x"), 'x = """a'),
        (("one", "two", "three", "end"), "end = 1"),
        (("one", "two", "three", "absent"), "[one.two.three]"),
        (("absent",), "# a = 1"),
    ],
)
def test_a_key_is_found_at_its_line(path: Path, row: str):
    parsed = parse(TRICKY)
    assert {} == parsed.broken
    assert row == TRICKY.splitlines()[parsed.line_of(path) - 1]


TEXT = st.text(st.characters(codec="utf-8"), max_size=12)
SCALAR = st.one_of(
    st.integers(-999, 999).map(str),
    st.booleans().map(lambda value: str(value).lower()),
    TEXT.map(lambda text: json.dumps(text).replace("\x7f", "\\u007f")),
    st.sampled_from(["'#'", "'['", '"]"', "'''\n[x]\n'''", '"""\n"x" = 1\\\n"""', "[\n1, # ]\n2\n]",
                     "{ x = 1 }", '"\\""', '"\\\\"', "'\\'", "1979-05-27"]),
)  # fmt: skip
KEY = st.one_of(st.sampled_from("abc"), TEXT.map(lambda text: json.dumps(text).replace("\x7f", "")))
ROW = st.one_of(
    st.tuples(KEY, SCALAR).map(" = ".join),
    st.tuples(KEY, KEY, SCALAR).map(lambda parts: f"{parts[0]} . {parts[1]} = {parts[2]} # [c]"),
    st.lists(KEY, min_size=1, max_size=3).map(lambda names: f"[{'.'.join(names)}]"),
    st.lists(KEY, min_size=1, max_size=2).map(lambda names: f"[[ {' . '.join(names)} ]] # x = 1"),
    st.sampled_from(["", "# [x]", "  "]),
)


@given(st.lists(ROW, max_size=12))
def test_every_key_of_a_good_text_has_the_line_on_which_it_stands(rows: list[str]):
    good: list[str] = []
    starts: dict[int, str] = {}
    for row in rows:  # keep the rows that stand together
        try:
            tomllib.loads("\n".join([*good, row]))
        except tomllib.TOMLDecodeError:
            continue
        starts[sum(kept.count("\n") + 1 for kept in good) + 1] = row
        good.append(row)
    text = "\n".join(good)
    tree = tomllib.loads(text)
    lines = find_lines(text)
    said = {n for n, row in starts.items() if row.strip() and not row.startswith("#")}
    assert set(lines.values()) == said
    for path, line in lines.items():
        at: Any = tree
        for part in path:
            at = at[part]
        last = path[-1] if isinstance(path[-1], str) else path[-2]
        assert isinstance(last, str)
        assert (
            last in starts[line] or json.dumps(last)[1:-1] in starts[line] or "\\u" in starts[line]
        )
    parsed = parse(text)
    assert all(1 <= parsed.line_of(path) <= text.count("\n") + 1 for path in leaves(tree))


# broken lines


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("a = 1\nb == 2\n", 2, "this is not TOML"),
        ("a = 1\nb = on\n", 2, 'a text stands in quotes: b = "..."'),
        ("a = 1\nb = 5 min\n", 2, "neither a number nor a text"),
        ("a = 1\nb = 55,0\n", 2, "with a point: 55.0"),
        ("a = 1\nb =\n", 2, "the value is missing"),
        ("a = 1\nb = # 2\n", 2, "the value is missing"),
        ("a = 1\nb 2\n", 2, "the = is missing"),
        ("a = 1\nb: 2\n", 2, "the = is missing"),
        ('a = 1\nb = "x\nc = 3\n', 2, "the closing quote is missing"),
        ('a = 1\nb = "C:\\x"\n', 2, "a backslash in a text needs single quotes"),
        ("a = 1\na = 2\n", 2, "this key is there twice"),
        ("[a]\n[a]\n", 2, "this section is there twice"),
        ("[a]\n[[a]]\n", 2, "this section is there twice"),
        ("a = { b = 1, b = 2 }\n", 1, "this key is there twice"),
        ("a = 1\n[b\nc = 1\n", 2, "this is not TOML"),
        ('a = 1\nb = """x\ny\n', 4, "never closed"),
        ("a = 1\nb = [1,\n2", 3, "never closed"),
    ],
)
def test_a_broken_line_is_told_in_words(text: str, line: int, words: str):
    broken = parse(text).broken
    assert [line] == list(broken)
    assert words in broken[line]


def test_what_stands_around_broken_lines_is_read():
    parsed = parse("a = 1\nb = on\nc 3\n[d]\ne = 5\n[d]\nf = 6\n[g]\nh = 7,5\ni = 8\n")
    assert [2, 3, 6, 9] == list(parsed.broken)
    assert {"a": 1, "b": "", "d": {"e": 5}, "g": {"h": "", "i": 8}} == parsed.tables


def test_not_more_broken_lines_are_told_than_a_person_reads():
    assert BROKEN_LINES_MAX + 1 == len(parse("x 1\n" * 500).broken)


def test_a_secret_in_a_broken_line_is_not_repeated():
    (told,) = parse("password = hunter\n").broken.values()
    assert "hunter" not in told
