"""The mirror at work: everything once and oldest first, whatever the server does meanwhile."""

from collections.abc import Iterator
from pathlib import Path
from random import Random

import numpy as np
import orjson
import pytest

from condmon.clock import SiteCalendar
from condmon.config import Influx
from condmon.engine import records as rec
from condmon.engine.outputs import Entry
from condmon.engine.records import SECOND_US, Action, Beacon, Health, Record, Samples
from condmon.engine.settings import Machine, Settings, Signal
from condmon.history.retention import Keep, prune
from condmon.history.seal import seal
from condmon.influx import cursor
from condmon.influx.mirror import LIVE_S, Mirror
from condmon.influx.queue import LINES_MAX
from condmon.store.journal import Journal
from condmon.store.recorder import Recorder
from tests.fakes import START_US, FakeClock
from tests.tsserver import Answer, Point, Scripted
from tests.waiting import until

SIGNALS = tuple(Signal(i, "mill-1", f"s{i}", f"t{i}", "measure") for i in range(4))
SETTINGS = Settings("Pier", SiteCalendar("UTC"), (Machine("mill-1", "Mill", SIGNALS),))


class House:
    """A data folder with a recorder and a journal, and a scripted server."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.clock = FakeClock()
        self.journal = Journal(folder)
        self.recorder = Recorder(folder, SIGNALS, self.clock.now_us)
        self.far = Scripted().open()
        self.influx = Influx(self.far.url, timeout_s=30)
        self.told: list[Record] = []
        self.mirror = self.new()
        self.n = 0
        self.most_waiting = 0

    def new(self) -> Mirror:
        return Mirror(self.influx, self.folder, SETTINGS, self.recorder, self.clock,
                      self.told.append, Random(7))  # fmt: skip

    def record(self, count: int = 1) -> None:
        """One batch of `count` samples, each with a value of its own, and a beacon."""
        n = np.arange(self.n, self.n + count)
        self.n += count
        now_us = self.clock.now_us()
        zero = np.zeros(count, np.int64)
        run = Samples((n % 4).astype(np.int32), np.full(count, now_us) + n % 997, zero + rec.NO_TIME,  # noqa: E501
                      n.astype(np.float64), zero.astype(np.uint8), zero.astype(np.uint16),
                      zero.astype(np.uint8))  # fmt: skip
        self.recorder.append([run, Beacon(now_us + 1000)])

    def work(self, seconds: float) -> None:
        """Let the mirror do what is due over so much time."""
        end_s = self.clock.monotonic_s() + seconds
        while True:
            pause_s = self.mirror.step()
            waiting = sum(map(len, self.mirror._queue._waiting))
            self.most_waiting = max(self.most_waiting, waiting)
            if self.clock.monotonic_s() + pause_s > end_s:
                break
            self.clock.pass_s(pause_s)
        self.clock.pass_s(end_s - self.clock.monotonic_s())

    def values(self) -> list[float]:
        return [p.fields["value"] for p in self.points() if p.tags["machine"] == "mill-1"]

    def points(self) -> list[Point]:
        return [point for point in self.far.points() if point.measurement == "condmon"]

    def notes(self) -> list[str]:
        return [record.text for record in self.told if isinstance(record, Action)]

    def figures(self) -> list[float]:
        return [record.value for record in self.told if isinstance(record, Health)]

    def close(self) -> None:
        self.mirror.stop()
        self.mirror._server.close()
        self.far.close()
        self.recorder.close()
        self.journal.close()


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    house = House(tmp_path)
    yield house
    house.close()


def exactly(house: House) -> list[float]:
    return [float(n) for n in range(house.n)]


def test_what_is_recorded_is_handed_over_within_seconds_and_once(house):
    for _ in range(10):
        house.record(3)
        house.work(6)
    assert exactly(house) == house.values()
    assert house.recorder.last_offset() == house.mirror.mirrored()
    assert [0.0, 0.0] == house.figures()  # once a minute
    assert [] == house.notes()


def test_idle_house_makes_no_requests(house):
    house.record(3)
    house.work(60)
    assert 1 == len(house.far.writes)


def test_backlog_is_handed_over_in_order_a_bounded_piece_at_a_time(house):
    for count in [1, 12_000, 3, 20_000, *[7] * 400]:
        house.record(count)
    house.work(300)
    assert exactly(house) == house.values()
    assert max(len(write.lines) for write in house.far.writes) == LINES_MAX
    assert house.most_waiting <= LINES_MAX + 20_000


def test_catching_up_rests_as_long_as_it_worked_and_then_looks_every_few_seconds(
    house, monkeypatch
):
    real = house.mirror._read

    def slow() -> bool:
        house.clock.pass_s(0.75)
        return real()

    monkeypatch.setattr(house.mirror, "_read", slow)
    for _ in range(3):
        house.record(LINES_MAX)
    assert [0.75, 0.75] == [house.mirror.step(), house.clock.pass_s(0.75) or house.mirror.step()]
    house.work(60)
    assert exactly(house) == house.values()
    assert 0 < house.mirror.step() <= LIVE_S


def test_what_the_disk_budget_took_before_the_server_did_is_told_and_the_rest_comes_once(house):
    house.far.close()
    for _ in range(5):
        for _ in range(3):
            house.record(10)
            house.work(3600)
        house.clock.pass_s(21 * 3600)
    house.record(1)
    for blob in (b"one", b"two"):
        house.journal.keep_snapshot(blob, house.recorder.last_offset())
    seal(house.folder, frozenset())
    (house.folder / "filler").write_bytes(bytes(1_000_000))
    keep = Keep(1e9, 1e9, disk_max_mb=1, mirrored=house.mirror.mirrored())
    gone = prune(house.folder, keep, house.clock.now_us())
    lacking = [one.what for one in gone if "the mirror has not taken this yet" in one.why]
    assert 4 == len(lacking)
    house.far.open()
    house.work(900)
    first = house.values().index(120.0)  # what it held in memory, then what is left
    assert [float(n) for n in range(120, 151)] == house.values()[first:]
    assert len(house.values()) == len(set(house.values()))
    batches = (120 - first) // 10
    assert [f"lacks {batches} batch(es)" in note for note in house.notes()] == [False, False, True]
    assert "takes samples again and has everything that is left" in house.notes()[1]


def test_memory_does_not_grow_while_the_server_is_away(house):
    house.far.close()
    for _ in range(20):
        house.record(2000)
        house.work(60)
    assert house.most_waiting <= LINES_MAX + 2000
    assert 0 == house.mirror.mirrored()
    house.far.open()
    house.work(900)
    assert exactly(house) == house.values()


def test_entries_go_as_events_and_a_journal_that_begins_anew_is_taken_from_its_beginning(house):
    def tell(first: int, count: int) -> None:
        rows = [Entry(f"e{n}", START_US + n, "mill-1", "duty", f"entry {n}")
                for n in range(first, first + count)]  # fmt: skip
        house.journal.write(rows, 0, [], house.clock.now_us())

    tell(0, 1200)
    house.work(60)
    texts = [p.fields["text"] for p in house.far.points() if p.measurement == "condmon_event"]
    assert [f"entry {n}" for n in range(1200)] == texts
    house.journal.close()
    for path in house.folder.glob("journal.db*"):
        path.unlink()
    house.journal = Journal(house.folder)
    house.mirror = house.new()
    tell(5000, 3)
    house.work(60)
    texts = [p.fields["text"] for p in house.far.points() if p.measurement == "condmon_event"]
    assert [f"entry {n}" for n in range(5000, 5003)] == texts[1200:]


def test_new_mirror_goes_on_where_the_last_one_stood(house):
    house.record(50)
    house.work(10)
    for _ in range(3):
        house.record(50)
        house.mirror = house.new()
        house.work(10)
    assert exactly(house) == house.values()


def test_kill_between_answer_and_cursor_hands_a_piece_over_again_with_the_same_lines(house):
    house.record(50)
    before = (house.folder / cursor.FILE).read_bytes() if house.mirror.mirrored() else None
    house.work(10)
    assert before is None
    (house.folder / cursor.FILE).unlink()  # as if the kill had come before it was written
    house.mirror = house.new()
    house.work(10)
    assert house.far.taken[:50] == house.far.taken[50:]


@pytest.mark.parametrize("content", [b"", b"{", b"[]", b'{"server": 1, "offset": "x"}',
                                     b'{"server": "s", "offset": 1, "more": 2}'])  # fmt: skip
def test_cursor_that_cannot_be_read_begins_from_the_oldest(house, content: bytes):
    house.record(50)
    house.work(10)
    (house.folder / cursor.FILE).write_bytes(content)
    house.mirror = house.new()
    house.work(10)
    assert 100 == len(house.values())


def test_cursor_of_another_record_or_another_bucket_begins_from_the_oldest(house):
    house.record(50)
    house.work(10)
    found = orjson.loads((house.folder / cursor.FILE).read_bytes())
    (house.folder / cursor.FILE).write_bytes(orjson.dumps(found | {"offset": 99}))
    house.mirror = house.new()
    assert 0 == house.mirror.mirrored()
    house.work(10)
    house.influx = Influx(house.far.url, bucket="another", timeout_s=0.2)
    house.mirror = house.new()
    house.work(10)
    assert 150 == len(house.values())


def test_server_away_is_told_after_five_minutes_and_once_and_its_return_when_all_is_there(house):
    house.far.close()
    house.record(50)
    house.work(290)
    assert [] == house.notes()
    house.work(3600)
    [away] = house.notes()
    assert "takes nothing since 2025-11-25 01:00:00" in away
    assert "nothing listens" in away
    assert house.figures()[-1] == pytest.approx(3890, abs=60)
    house.mirror = house.new()  # a restart does not tell it again, and knows since when
    house.work(3600)
    assert house.figures()[-1] == pytest.approx(7490, abs=60)
    house.far.open()
    house.work(120)
    assert [away, "the time-series server takes samples again and has everything"] == house.notes()
    assert 0.0 == house.figures()[-1]
    assert exactly(house) == house.values()


def test_token_refused_is_told_at_once_and_tried_at_growing_pauses(house):
    house.far.how = lambda _: Answer(401)
    house.record(50)
    house.work(1)
    [told] = house.notes()
    assert "token_file" in told
    house.work(3600)
    assert 7 <= len(house.far.writes) <= 13
    assert 1 == len(house.notes())
    house.far.how = lambda _: Answer()
    house.work(800)
    assert exactly(house) == house.values()


def test_refused_connections_back_off_to_a_minute_with_jitter(house):
    house.far.how = lambda _: Answer(503)
    house.record(1)
    times: list[float] = []
    for _ in range(12):
        count = len(house.far.writes)
        while len(house.far.writes) == count:
            house.clock.pass_s(house.mirror.step())
        times.append(house.clock.monotonic_s())
    pauses = np.diff(times)
    assert 1 < pauses[0] < 3
    assert 45 <= pauses[-1] <= 75
    assert len({round(p, 3) for p in pauses[-4:]}) > 1


def test_retry_after_is_honoured(house):
    house.far.how = lambda _: Answer(429, {"Retry-After": "120"})
    house.record(1)
    house.work(115)
    assert 1 == len(house.far.writes)
    house.far.how = lambda _: Answer()
    house.work(10)
    assert exactly(house) == house.values()


def test_bad_line_is_set_aside_in_a_file_and_told_once(house):
    def picky(lines: list[bytes]) -> Answer:
        bad = [line for line in lines if b"value=33.0" in line]
        return Answer(400, body=b'{"message":"invalid float"}') if bad else Answer()

    house.far.how = picky
    house.record(100)
    house.work(30)
    assert [n for n in exactly(house) if n != 33.0] == house.values()
    [row] = map(orjson.loads, (house.folder / cursor.REFUSED).read_bytes().splitlines())
    assert "invalid float" == row["reason"]
    assert "signal=s1" in row["line"]
    assert "value=33.0" in row["line"]
    [note] = house.notes()
    assert "refused 1 line(s)" in note
    assert house.recorder.last_offset() == house.mirror.mirrored()


def test_hanging_server_is_left_alone_after_its_time(house):
    house.influx = Influx(house.far.url, timeout_s=0.2)
    house.mirror = house.new()
    house.far.how = lambda _: Answer(hang=True)
    house.record(5)
    assert 0 < house.mirror.step() <= 60
    assert 1 == len(house.far.writes)
    house.far.close()
    house.far.how = lambda _: Answer()
    house.far.open()
    house.work(30)
    assert exactly(house) == house.values()


def test_disk_that_takes_no_cursor_stops_nothing(house, monkeypatch):
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr("condmon.influx.cursor.write", full)
        for _ in range(3):
            house.record(10)
            house.work(6)
        assert 0 == house.mirror.mirrored()
    house.work(6)
    assert exactly(house) == house.values()
    assert house.recorder.last_offset() == house.mirror.mirrored()


def test_devices_clock_is_known_after_a_restart(house):
    """A device an hour behind: its times are not believed, before and after a restart."""

    def send(count: int) -> None:
        for _ in range(count):
            house.clock.pass_s(1)
            now_us = house.clock.now_us()
            own_us = now_us - 3600 * SECOND_US
            house.recorder.append([rec.samples([(0, now_us, own_us, float(house.n), 0, 0, 0)])])
            house.n += 1

    send(20)
    house.work(1)
    house.mirror = house.new()
    send(20)
    house.work(10)
    late = [point for point in house.points() if point.tags["machine"] == "mill-1"][20:]
    assert 20 == len(late)
    assert min(point.at_ns for point in late) > START_US * 1000


def test_fault_of_our_own_ends_neither_the_mirror_nor_the_watch_and_is_told(house):
    house.record(10)
    house.clock.fail_next = 1
    house.mirror.start()
    until(house.notes, 10, "it is told")
    assert "a fault in condmon itself: RuntimeError at " in house.notes()[0]
    house.mirror.stop()
    house.mirror = house.new()
    house.work(60)
    assert exactly(house) == house.values()


def test_stop_is_quick_while_the_server_is_away(house):
    house.far.close()
    house.record(10)
    house.mirror.start()
    until(lambda: house.mirror.away_s or house.mirror._saved.away_us, 10, "a try has failed")
    house.mirror.stop()
    assert not house.mirror._thread.is_alive()
