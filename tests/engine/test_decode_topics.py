"""Messages into records: topics, strays, order, bounds, and what is kept of refused payloads."""

import tracemalloc

import pytest

from condmon.engine.decode import Arrived
from condmon.engine.records import REASONS, Samples, Stray
from tests.payloads import AT_US, TOPIC, decoder


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
