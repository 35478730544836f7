"""No check value is left lying: each one stands in a test, and says how it was come by."""

import re
from pathlib import Path

import pytest

from tests.trade.vectors import ALL, vector

TESTS = Path(__file__).parents[1]
BY_OWN_TEXT = {  # written out in a test that needs the bytes or texts themselves
    "rfc3339": "engine/test_decode_time.py",
    "sparkplug_hex": "engine/test_sparkplug.py",
}
STANDINGS = ("V1", "V2", "C", "M")  # read in the standard, second hand, constructed, from memory


@pytest.fixture(scope="module")
def named():
    """Names of all vectors that tests ask for."""
    texts = [path.read_text() for path in TESTS.rglob("test_*.py")]
    found = {name for text in texts for name in re.findall(r'vector\("(\w+)"\)', text)}
    listed = (TESTS / "trade" / "test_bearings.py").read_text()
    count = int(re.search(r'f"palmgren\{i\}" for i in range\((\d+)\)', listed)[1])
    starts = (TESTS / "trade" / "test_firstorder.py").read_text()
    by_name = re.findall(r'parametrize\("name", \[(.*?)\]\)', starts)
    more = {name for row in by_name for name in re.findall(r'"(\w+)"', row)}
    return found | more | {f"palmgren{i}" for i in range(count)}


def test_every_vector_is_asked_for_by_a_test(named):
    assert set(ALL) == named | set(BY_OWN_TEXT)


def test_vectors_of_bytes_and_texts_stand_in_their_tests():
    times = (TESTS / BY_OWN_TEXT["rfc3339"]).read_text()
    for text in vector("rfc3339").expected:
        assert text in times, text
    plugs = (TESTS / BY_OWN_TEXT["sparkplug_hex"]).read_text()
    assert [] == [name for name in vector("sparkplug_hex").expected if f'"{name}"' not in plugs]


@pytest.mark.parametrize("name", sorted(ALL))
def test_vector_says_how_it_was_come_by(name):
    one = vector(name)
    assert one.status.startswith(STANDINGS)
    assert one.source or one.status == "C"
