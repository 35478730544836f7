"""Reading ahead of the judging: the same batches, errors in their place, no thread left over."""

import threading

import pytest

from condmon.capture.ahead import AHEAD, ahead
from condmon.engine.records import Beacon
from tests.waiting import until


def readers() -> int:
    return sum(thread.name == "reader" for thread in threading.enumerate())


def test_the_same_batches_come_in_the_same_order():
    batches = [[Beacon(n)] for n in range(50)]
    assert batches == list(ahead(iter(batches)))


def test_an_error_comes_after_what_was_read_before_it():
    def read():
        yield [Beacon(1)]
        raise OSError("the disk went away")

    found = ahead(read())
    assert [Beacon(1)] == next(found)
    with pytest.raises(OSError, match="the disk went away"):
        next(found)


def test_no_more_than_a_few_are_read_ahead_and_who_leaves_ends_the_reading():
    given = []

    def read():
        for n in range(1000):
            given.append(n)
            yield [Beacon(n)]

    found = ahead(read())
    next(found)
    until(lambda: len(given) > AHEAD, 10)
    assert len(given) <= AHEAD + 3
    found.close()
    until(lambda: not readers(), 10)
    assert len(given) <= AHEAD + 3
