"""Whatever the event log promises to hold becomes an entry, once, however it came to happen."""

import json

import pytest

from condmon.engine.records import (
    GOOD,
    NO_TIME,
    SECOND_US,
    Action,
    Beacon,
    Filed,
    Gap,
    Link,
    ModelOn,
    Started,
    Stray,
    samples,
)
from condmon.ledger.verify import verify
from condmon.store.entries import EntryReader, Wanted
from tests.ledgers import START_US, Lived

HOUR_US = 3600 * SECOND_US


def device_clock_ahead(lived: Lived) -> None:
    """A minute of readings with the right time, then one whose source is two hours ahead."""
    index = next(s.index for s in lived.config.settings.signals if s.name == "coolant")
    for ahead_us in (0, 2 * HOUR_US):
        rows = [
            (index, lived.now_us + n * SECOND_US, lived.now_us + n * SECOND_US + ahead_us,
             20.0 + n / 100, GOOD, 0, 0)
            for n in range(60)
        ]  # fmt: skip
        lived.take([samples(rows), Beacon(lived.now_us + 60 * SECOND_US)])


def impossible_reading(lived: Lived) -> None:
    index = next(s.index for s in lived.config.settings.signals if s.name == "bearing_lower")
    lived.take([samples([(index, lived.now_us, lived.now_us, 4000.0, GOOD, 0, 0)]),
                Beacon(lived.now_us + SECOND_US)])  # fmt: skip


def hour_without_a_record(lived: Lived) -> None:
    lived.now_us += HOUR_US
    lived.minutes(5, power=1)


@pytest.fixture(scope="module")
def entries(tmp_path_factory):
    """Everything that can happen, and what the log made of it."""
    lived = Lived(tmp_path_factory.mktemp("logged"))
    lived.day()
    now_us, machine = lived.now_us, "mill-1"
    alert = lived.journal.alerts()[0].id
    component = json.dumps({"name": "Spindle unit", "serial": "S-1"})
    lived.say(
        Started(now_us, "0.1.0", "another", restart=True),
        Link(now_us + 1, up=False, reason="the broker went away"),
        Link(now_us + 2, up=True),
        Stray(now_us + 3, "pier/mill-1/unknown"),
        Gap(now_us + 4, now_us - HOUR_US, now_us, "the inbox was full", lost=7),
        ModelOn(now_us + 5, machine, "thermal", "abc"),
        Action(now_us + 6, "acknowledge", "ben", alert=alert),
        Action(now_us + 7, "note", "ben", machine=machine, text="belt [photo " + "a" * 24 + "]"),
        Action(now_us + 8, "cause", "ben", alert=alert, text="kinked line"),
        Action(now_us + 9, "out_of_service", "ben", machine=machine, check="nose-bearing-hot"),
        Action(now_us + 10, "return_to_service", "ben", machine=machine, check="nose-bearing-hot"),
        Action(now_us + 11, "shelve", "ben", alert="unknown", until_us=now_us + HOUR_US),
        Action(now_us + 12, "correct", "ben", machine=machine, text="no belt", entry="e"),
        Filed(now_us + 13, "", "component", "ben", "spindle-a", component),
    )
    device_clock_ahead(lived)
    impossible_reading(lived)
    hour_without_a_record(lived)
    lived.close()
    assert verify(lived.folder / "journal.db").whole
    with EntryReader(lived.folder) as reader:
        return [one.entry for one in reader.each(Wanted())]


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("duty", "is turning"), ("duty", "is off"), ("alert", "raised: upper spindle bearing"),
        ("alert", "reminder 1"), ("alert", "ended after"), ("start", "started again after a stop"),
        ("link", "is down: the broker went away"), ("link", "is up"), ("topic", "mill-1/unknown"),
        ("gap", "the inbox was full"), ("gap", "nothing was recorded"), ("model", "thermal abc"),
        ("action", "acknowledged"), ("action", "[photo "), ("action", "kinked line"),
        ("action", "out of service"), ("action", "returned to service"), ("action", "was refused"),
        ("action", "correction: no belt"), ("service", "Spindle unit"), ("clock", "2 h ahead"),
        ("sensor", "was put aside"),
    ],
)  # fmt: skip
def test_it_is_an_entry(entries, kind, words):
    found = [entry for entry in entries if entry.kind == kind and words in entry.text]
    assert found, sorted({f"{e.kind}: {e.text}" for e in entries if e.kind == kind})


def test_duty_changes_are_bounded_by_a_minute_each(tmp_path):
    """A spindle that starts and stops every twenty seconds fills no log."""
    lived = Lived(tmp_path)
    index = {s.name: s.index for s in lived.config.settings.signals if s.machine == "mill-1"}
    for _ in range(6):
        rows = [
            (index[name], lived.now_us + n * SECOND_US, NO_TIME, value, GOOD, 0, 0)
            for n in range(600)
            for name, value in (("power", 1.0), ("spindle_speed", 8000.0 * (n // 20 % 2)))
        ]  # fmt: skip
        lived.take([samples(rows), Beacon(lived.now_us + 600 * SECOND_US)])
    lived.close()
    with EntryReader(lived.folder) as reader:
        assert reader.count(Wanted(kind="duty")) <= 1
    assert lived.now_us - START_US >= HOUR_US
