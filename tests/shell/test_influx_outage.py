"""Case O04 through the daemon's turn: a server away for hours, then in every mood."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from random import Random
from typing import Any

import orjson
import pytest

from condmon.clock import parse_rfc3339
from condmon.config import Influx, load
from condmon.daemon.service import Service
from condmon.engine.decode import Arrived
from condmon.engine.records import SECOND_US
from condmon.influx import cursor
from condmon.influx.mirror import Mirror
from condmon.influx.queue import LINES_MAX
from condmon.store.journal import Reader
from tests.brokers import free_port
from tests.cases import runner
from tests.daemons import HEAD
from tests.fakes import FakeClock
from tests.tsserver import Answer, Point, Scripted

CASE = "O04-store-down-hours"
BEAT_S = 30
PATIENCE_S = 30.0
BAD = 245  # the sample whose line the server does not like
MILL = """
[plan.today]
tell_end = true
[[machine]]
id = "mill-1"
name = "Five-axis mill"
[machine.signal.bearing]
topic = "site/mill-1/spindle/bearing-upper/temp"
role = "bearing_temperature"
value = "/v"
time = "/t"
[machine.signal.number]
topic = "site/mill-1/spindle/bearing-upper/temp"
kind = "measure"
unit = "1"
value = "/n"
time = "/t"
"""


class Bench:
    """A service and a mirror in one made-up time, and the case's server."""

    def __init__(self, folder: Path) -> None:
        expect = runner.expectation(CASE)
        start_us = parse_rfc3339(expect["t0"])
        assert start_us is not None
        self.start_us = start_us
        self.clock = FakeClock(start_us)
        self.far = Scripted().open()
        self.folder = folder / "store"
        path = folder / "condmon.toml"
        path.write_text(HEAD.format(url=f"mqtt://127.0.0.1:{free_port()}") + MILL)
        config = load(path)
        self.service = Service(config, self.clock)
        self.service.start()
        self.mirror = Mirror(
            Influx(self.far.url, timeout_s=PATIENCE_S), self.folder, config.settings,
            self.service.recorder, self.clock, self.service.inbox.put_action, Random(4),
        )  # fmt: skip
        self.most_waiting = 0
        self.behind: list[int] = []  # batches recorded and not mirrored, beat by beat

    def beat(self) -> None:
        self.clock.pass_s(BEAT_S)
        before = self.service.recorder.last_offset()
        self.service.step()
        assert self.service.recorder.last_offset() > before, "the record does not wait"
        for _ in range(1000):
            pause_s = self.mirror.step()
            waiting = sum(map(len, self.mirror._queue._waiting))
            self.most_waiting = max(self.most_waiting, waiting)
            if pause_s:
                break
        self.behind.append(self.service.recorder.last_offset() - self.mirror.mirrored())

    def do(self, line: dict[str, Any]) -> None:
        """What the case says about the server."""
        hangs = line["do"] == "store.hang"  # whoever never answers need not be waited for long
        server = self.mirror._server
        server.close()
        server._influx = Influx(self.far.url, timeout_s=0.05 if hangs else PATIENCE_S)
        if line["do"] == "store.refuse":
            self.far.close()
            return
        self.far.close()
        self.far.how = self._how(line)
        self.far.open()

    def _how(self, line: dict[str, Any]):
        if line["do"] == "store.hang":
            return lambda _: Answer(hang=True)
        wait = {"Retry-After": str(line["retry_after"])} if "retry_after" in line else {}
        bad = f"value={BAD}.0 ".encode()
        if "only_if" not in line:
            return lambda _: Answer(line["status"], wait)
        words = b'{"code":"invalid","message":"unable to parse"}'
        return lambda lines: Answer(400, {}, words) if any(bad in x for x in lines) else Answer()

    def points(self, signal: str) -> list[Point]:
        return [p for p in self.far.points() if p.tags.get("signal") == signal]

    def messages(self) -> list[tuple[str, str]]:
        with closing(sqlite3.connect(self.folder / "journal.db")) as db:
            rows = db.execute("SELECT body FROM message ORDER BY rowid").fetchall()
        found = [orjson.loads(row[0]) for row in rows]
        return [(m["kind"], m["title"]) for m in found]

    def close(self) -> None:
        self.mirror._server.close()
        self.service.stop()
        self.far.close()


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    monkeypatch.setattr("condmon.daemon.rhythm.TURN_S", 0.0)
    monkeypatch.setattr("condmon.mqtt.client.STUCK_AFTER_S", 1e9)  # hours pass here in seconds
    bench = Bench(tmp_path)
    yield bench
    bench.close()


def test_server_away_for_hours_and_in_every_mood_gets_everything_once_and_people_hear_once(bench):
    expect, lines = runner.expectation(CASE), runner.lines(CASE)
    sent = 0
    while lines or bench.behind[-1] > 2:
        now_s = (bench.clock.now_us() - bench.start_us) / SECOND_US
        while lines and lines[0]["at"] <= now_s:
            line = lines.pop(0)
            if "do" in line:
                bench.do(line)
                continue
            at_us = bench.start_us + line["at"] * SECOND_US
            bench.service.inbox.put(
                [Arrived(at_us, line["topic"], line["payload"].encode(), False)]
            )
            sent += 1
        bench.beat()
        assert now_s < 40_000
    assert 360 == sent
    numbers = [p.fields["value"] for p in bench.points("number")]
    assert [float(n) for n in range(360) if n != BAD] == numbers  # once, oldest first
    assert 360 == len({p.at_ns for p in bench.points("bearing")}) == len(bench.points("bearing"))
    minute_ns = 60 * 10**9
    assert [bench.start_us * 1000 + n * minute_ns for n in range(360)] == [
        p.at_ns for p in bench.points("bearing")
    ]
    [aside] = map(orjson.loads, (bench.folder / cursor.REFUSED).read_bytes().splitlines())
    assert f"value={BAD}.0 " in aside["line"]
    assert max(bench.behind) > 300  # it was away for long, and what it lacked lay on the disk
    assert bench.most_waiting <= LINES_MAX
    for _ in range(40):  # time for the alert to end
        bench.beat()
    no_broker = "condmon has lost its broker"  # as is so on this bench
    told = [(kind, title) for kind, title in bench.messages()
            if kind != "digest" and no_broker not in title]  # fmt: skip
    assert expect["alerts_min"] <= len(told) <= expect["alerts_max"]
    assert ["raised", "ended"] == [kind for kind, _ in told]
    assert all("the time-series server takes nothing" in title for _, title in told)
    with Reader(bench.folder) as reader:
        texts = [entry.text for entry in reader.entries(1000)]
    assert 1 == sum("takes samples again and has everything" in text for text in texts)
    assert 1 == sum("takes nothing since" in text and "nothing listens" in text for text in texts)
    assert 1 == sum("takes nothing since" in text and "token_file" in text for text in texts)
