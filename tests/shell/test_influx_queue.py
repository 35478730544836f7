"""The queue to the time-series server: halving, the bad line found, nothing set aside in doubt."""

from collections.abc import Callable, Sequence

import pytest

from condmon.influx.queue import BYTES_MAX, LINES_MAX, Queue
from condmon.influx.server import RefusedError, TooLargeError, TroubleError

PROBE = b"probe"


class Far:
    """The far end of a queue: `judge` raises for what it does not take."""

    def __init__(self, judge: Callable[[Sequence[bytes]], None] = lambda _: None) -> None:
        self.judge = judge
        self.taken: list[bytes] = []
        self.sizes: list[int] = []
        self.aside: list[tuple[bytes, str]] = []
        self.queue = Queue(self._write, lambda *row: self.aside.append(row), lambda: PROBE)

    def _write(self, lines: Sequence[bytes]) -> None:
        self.sizes.append(len(lines))
        self.judge(lines)
        self.taken += lines

    def drain(self) -> None:
        while self.queue:
            self.queue.step()


def numbered(count: int, start: int = 0) -> list[bytes]:
    return [f"line {n}".encode() for n in range(start, start + count)]


def refusing(*bad: bytes) -> Callable[[Sequence[bytes]], None]:
    def judge(lines: Sequence[bytes]) -> None:
        found = [line for line in lines if line in bad]
        if found:
            raise RefusedError(f"unable to parse '{found[0].decode()}'")

    return judge


def at_most(count: int) -> Callable[[Sequence[bytes]], None]:
    def judge(lines: Sequence[bytes]) -> None:
        if len(lines) > count:
            raise TooLargeError("too large")

    return judge


def test_many_lines_go_in_order_in_pieces_of_bounded_lines_and_bytes():
    far = Far()
    lines = numbered(LINES_MAX * 2 + 1)
    far.queue.put(lines)
    far.queue.put([b"x" * (BYTES_MAX // 2)] * 5)
    far.drain()
    assert lines == far.taken[: len(lines)]
    assert [LINES_MAX, LINES_MAX, 1] == far.sizes[:3]
    assert max(far.sizes[3:]) <= 2
    assert far.queue.clear


def test_too_large_is_halved_until_it_fits_and_grows_again_later():
    far = Far(at_most(700))
    lines = numbered(LINES_MAX)
    far.queue.put(lines)
    far.drain()
    assert lines == far.taken
    assert far.sizes.count(5000) == far.sizes.count(2500) == far.sizes.count(1250) == 1
    far.judge = at_most(10**9)
    for start in range(0, 200_000, LINES_MAX):
        far.queue.put(numbered(LINES_MAX, start))
        far.drain()
    assert LINES_MAX == far.sizes[-1]


@pytest.mark.parametrize("place", [0, 1, 2499, 4999])
def test_one_bad_line_is_set_aside_with_its_reason_and_all_others_are_taken_in_order(place: int):
    lines = numbered(LINES_MAX)
    far = Far(refusing(lines[place]))
    far.queue.put(lines)
    far.queue.put(numbered(10, 9000))  # a first or last one is judged when others are taken
    far.drain()
    assert [(lines[place], f"unable to parse 'line {place}'")] == far.aside
    assert [line for line in lines if line != lines[place]] == far.taken[: LINES_MAX - 1]
    assert len(far.sizes) < 40
    assert (LINES_MAX + 9, 1, True) == (far.queue.taken, far.queue.aside, far.queue.clear)


def test_single_bad_line_waits_until_the_server_takes_another():
    far = Far(refusing(b"line 0"))
    far.queue.put(numbered(1))
    far.drain()
    assert ([], False) == (far.aside, far.queue.clear)
    far.queue.put(numbered(1, 5))
    far.drain()
    assert [b"line 0"] == [line for line, _ in far.aside]
    assert far.queue.clear


def test_server_that_refuses_every_line_is_in_trouble_and_loses_nothing():
    def refuse(_: Sequence[bytes]) -> None:
        raise RefusedError("field type conflict")

    far = Far(refuse)
    lines = numbered(300)
    far.queue.put(lines)
    for _ in range(3):
        with pytest.raises(TroubleError, match="refuses every line: field type conflict") as caught:
            far.drain()
        assert caught.value.person
    far.judge = lambda _: None
    far.drain()
    assert lines == far.taken
    assert not far.aside


def test_long_run_of_bad_lines_is_told_from_a_bad_server_by_a_line_that_is_surely_good():
    lines = numbered(200)
    far = Far(refusing(*lines[50:150]))
    far.queue.put(lines)
    far.drain()
    assert lines[50:150] == [line for line, _ in far.aside]
    assert [*lines[:50], *lines[150:]] == [line for line in far.taken if line != PROBE]


def test_server_that_calls_every_size_too_large_loses_nothing():
    far = Far(at_most(0))
    lines = numbered(100)
    far.queue.put(lines)
    with pytest.raises(TroubleError):
        far.drain()
    far.judge = lambda _: None
    far.drain()
    assert sorted(lines) == sorted(far.taken)
    assert not far.aside


def test_what_is_older_than_the_bucket_keeps_counts_as_done_at_once():
    def keep_a_week(lines: Sequence[bytes]) -> None:
        raise RefusedError("partial write: points beyond retention policy dropped=100")

    far = Far(keep_a_week)
    far.queue.put(numbered(100))
    far.drain()
    assert (100, [100]) == (far.queue.too_old, far.sizes)
    assert far.queue.clear
    assert not far.aside


def test_trouble_leaves_everything_where_it_was():
    def away(_: Sequence[bytes]) -> None:
        raise TroubleError("away")

    far = Far(away)
    lines = numbered(100)
    far.queue.put(lines)
    for _ in range(5):
        with pytest.raises(TroubleError):
            far.queue.step()
    far.judge = lambda _: None
    far.drain()
    assert lines == far.taken
