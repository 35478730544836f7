"""The inbox: order, bounds, back-pressure, and a loss that is told."""

import threading

import pytest

from condmon.engine.decode import Arrived
from condmon.engine.records import Gap, Link
from condmon.mqtt.inbox import Inbox
from tests.fakes import FakeClock


def messages(first: int, count: int, size: int = 3) -> list[Arrived]:
    return [Arrived(n, "t", b"x" * size, False) for n in range(first, first + count)]


@pytest.fixture
def inbox():
    return Inbox(FakeClock().now_us, messages_max=10, bytes_max=1000, hold_s=0.0)


def test_messages_and_records_keep_their_order_and_tickets(inbox):
    link = Link(5, False, "gone")
    inbox.put(messages(0, 2), [11, 12])
    inbox.put_action(link)
    inbox.put(messages(2, 1))
    taken = inbox.take(100, 0.0)
    assert [*messages(0, 2), link, *messages(2, 1)] == taken.entries
    assert [11, 12, 0] == taken.tickets
    assert 3 == taken.messages


def test_take_leaves_what_is_over_its_bound_for_the_next_turn(inbox):
    link = Link(5, True)
    inbox.put(messages(0, 3), [1, 2, 3])
    inbox.put_action(link)
    inbox.put(messages(3, 3), [4, 5, 6])
    one, two = inbox.take(4, 0.0), inbox.take(4, 0.0)
    assert ([*messages(0, 3), link, *messages(3, 1)], [1, 2, 3, 4]) == (one.entries, one.tickets)
    assert (messages(4, 2), [5, 6]) == (two.entries, two.tickets)
    assert [] == inbox.take(4, 0.0).entries


def test_full_inbox_asks_to_stop_reading_by_count_and_by_bytes(inbox):
    inbox.put(messages(0, 9))
    assert inbox.has_room()
    inbox.put(messages(9, 1))
    assert not inbox.has_room()
    inbox.take(100, 0.0)
    assert inbox.has_room()
    inbox.put(messages(0, 1, size=1000))
    assert not inbox.has_room()


def test_what_comes_all_the_same_is_counted_and_told_as_one_gap_in_its_place(inbox):
    inbox.put(messages(0, 10))
    assert not inbox.put(messages(10, 2))
    assert not inbox.put(messages(12, 1))
    taken = inbox.take(100, 0.0)
    assert inbox.put(messages(13, 1))
    gaps = [entry for entry in taken.entries if isinstance(entry, Gap)]
    assert [3] == [gap.lost for gap in gaps]
    assert isinstance(taken.entries[-1], Gap)
    assert 3 == inbox.lost_total
    assert messages(13, 1) == inbox.take(100, 0.0).entries


def test_put_waits_for_room_and_goes_on_when_the_turn_takes():
    inbox = Inbox(FakeClock().now_us, messages_max=2, hold_s=20.0)
    inbox.put(messages(0, 2))
    done: list[bool] = []
    thread = threading.Thread(target=lambda: done.append(inbox.put(messages(2, 1))))
    thread.start()
    assert 2 == inbox.take(2, 0.0).messages
    thread.join(10)
    assert [True] == done
    assert messages(2, 1) == inbox.take(2, 0.0).entries
    assert 0 == inbox.lost_total


def test_a_record_ends_the_wait_of_take_at_once():
    inbox = Inbox(FakeClock().now_us)
    inbox.put(messages(0, 1))
    timer = threading.Timer(0.05, inbox.put_action, [Link(1, True)])
    timer.start()
    taken = inbox.take(1000, 30.0)
    timer.join()
    assert 2 == len(taken.entries)
