"""The cases of what goes out: through the engine, the journal and the outbox to real receivers."""

import re
import socket
import threading
from asyncio import to_thread
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest

from condmon.config import load
from condmon.delivery.outbox import Outbox
from condmon.delivery.plan import routes_of, routing_of
from condmon.engine.decode import Decoder
from condmon.engine.engine import Engine
from condmon.engine.records import SECOND_US, Beacon
from condmon.senders import make
from condmon.store.journal import Journal
from tests.cases import runner
from tests.cases.shop import configuration
from tests.fakes import FakeClock
from tests.receivers import Answer, MailServer, Web

PLAN = """
[plan.today]
ways = ["gate", "post"]
"""
TELL_END = PLAN + "tell_end = true\n"
AGAIN = (
    TELL_END
    + """
remind_after = ["15 min", "1 h"]
hand_over_after = "40 min"
hand_over_to = ["second"]
"""
)
WAYS = """
[[send.webhook]]
name = "gate"
url = "{url}"
[[send.webhook]]
name = "second"
url = "{second}"
[[send.email]]
name = "post"
host = "127.0.0.1"
port = {port}
security = "none"
sender = "condmon@pier.example"
to = ["owner@pier.example"]
"""
STEP_S = 5
LIMIT_S = 0.4


class Gate(Web):
    """A web receiver that answers, or hangs, as the case says."""

    def __init__(self) -> None:
        super().__init__()
        self.answer_now = Answer()
        self.hangs = False
        self.go_on = threading.Event()

    def answer(self, request) -> Answer:
        self.requests.append(request)
        if self.hangs:
            self.go_on.wait(30)
            return Answer(503)
        return self.answer_now

    def close(self) -> None:
        self.go_on.set()
        super().close()


class Post(MailServer):
    """A mail server that answers to DATA, or hangs, as the case says."""

    def __init__(self) -> None:
        self.word, self.hangs = "250 OK", False
        self.go_on = threading.Event()
        super().__init__()

    async def handle_DATA(self, server, session, envelope):  # noqa: N802
        if self.hangs:
            await to_thread(self.go_on.wait, 30)
        self.answers = [self.word]
        return await super().handle_DATA(server, session, envelope)

    def close(self) -> None:
        self.go_on.set()
        super().close()


class World:
    """A case lived through: engine, journal, outbox and receivers, on one clock."""

    def __init__(self, case: str, folder: Path, plan: str) -> None:
        self.gate, self.second, self.post = Gate(), Web(), Post()
        path = folder / "condmon.toml"
        topics = {line["topic"] for line in runner.lines(case) if "topic" in line}
        ways = WAYS.format(url=self.gate.url, second=self.second.url, port=self.post.port)
        path.write_text(configuration(topics, plan + ways))
        config = _impatient(load(path))
        senders = make(config)
        self.start_us = runner._at({"at": 0}, runner.expectation(case)["t0"])
        self.clock = FakeClock(self.start_us)
        self.journal = Journal(folder / "store")
        self._routes = routes_of(config, senders)
        self._outbox = Outbox(self.journal.path, senders, self.clock, config.settings, Random(5),
                              routing=routing_of(config))  # fmt: skip
        self._engine, self._decoder = Engine(config.settings), Decoder(config.settings)
        self._offset = self._second = 0
        self._lines = runner.lines(case)
        self._t0 = runner.expectation(case)["t0"]
        self.tries: list[tuple[int, int]] = []  # second, tries of the gate so far

    def live(self, act, to_s: int) -> None:
        """Live on in steps of STEP_S; `act` does what the case asks of the outside."""
        while self._second < to_s:
            self._second += STEP_S
            records = []
            while self._lines and self._at_s(self._lines[0]) <= self._second:
                records += self._records(self._lines.pop(0), act)
            self.clock.pass_s(STEP_S)
            self._push([*records, Beacon(self.start_us + self._second * SECOND_US)])
            self._send()
            (tries,) = self.journal._rows("SELECT sum(tries) FROM delivery WHERE route = 'gate'")[0]
            self.tries.append((self._second, tries or 0))

    def _at_s(self, line) -> float:
        return (runner._at(line, self._t0) - self.start_us) / SECOND_US

    def _records(self, line, act):
        at_us = runner._at(line, self._t0)
        if "topic" in line:
            return self._decoder.decode([runner._arrived(line, at_us)])
        if line["do"].startswith("person"):
            return list(runner._action(line, at_us, self._engine))
        act(self, line)
        return []

    def _push(self, records) -> None:
        outputs = self._engine.push(records)
        if outputs:
            self._offset += 1
            self.journal.write(outputs, self._offset, self._routes, self.clock.now_us())

    def _send(self) -> None:
        for _ in range(50):
            if self._outbox.step() != 0.0:
                return
        raise AssertionError("it sends without end")

    @property
    def told(self) -> list[str]:
        """Titles that the first person's web receiver took, in order."""
        ids = set(self.gate.taken)
        titles = {r.event["id"]: r.event["data"]["title"] for r in self.gate.requests
                  if r.event["id"] in ids}  # fmt: skip
        return list(titles.values())

    def close(self) -> None:
        for one in (self._outbox, self.journal, self.gate, self.second, self.post):
            one.close()


@pytest.fixture
def world(tmp_path):
    made = []

    def make_world(case, plan=TELL_END):
        made.append(World(case, tmp_path, plan))
        return made[-1]

    yield make_world
    for one in made:
        one.close()


def refuse(monkeypatch):
    """What O05 asks of the outside: web answers as they stand there, mail to match."""
    looked_up = socket.getaddrinfo

    def unknown(host, *rest, **more):
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    def act(world, line):
        gate, post = world.gate, world.post
        monkeypatch.setattr(socket, "getaddrinfo", looked_up)
        gate.hangs = post.hangs = False
        gate.go_on.set(), post.go_on.set()
        match line["do"], line.get("status"):
            case "notify.hang", _:
                gate.hangs = post.hangs = True
                gate.go_on.clear(), post.go_on.clear()
            case "notify.dns.fail", _:
                monkeypatch.setattr(socket, "getaddrinfo", unknown)
            case "notify.answer", 429:
                gate.answer_now = Answer(429, {"Retry-After": str(line["retry_after"])})
                post.word = "451 come back later"
            case "notify.answer", 401:
                gate.answer_now, post.word = Answer(401), "451 not now"
            case "notify.answer", 500:
                gate.answer_now, post.word = Answer(500), "421 closing"
            case "notify.answer", 200:
                gate.answer_now, post.word = Answer(200), "250 OK"

    return act


@pytest.mark.slow
def test_o05_after_every_kind_of_refusal_one_message_tells_the_whole_story(world, monkeypatch):
    lived = world("O05-notify-refused")
    lived.live(refuse(monkeypatch), 4790)
    assert [] == lived.told
    assert [] == lived.post.mails
    reasons = {r.event["data"]["telling"] for r in lived.gate.requests}
    assert "raised" in reasons  # it was tried while it lasted
    pauses = [b - a for a, b in _changes(lived.tries)]
    assert max(pauses) <= 900 + STEP_S  # bounded, with the quarter hour after 401 in it
    assert len(lived.gate.requests) < 40
    lived.live(refuse(monkeypatch), 7200)
    (title,) = lived.told
    assert title.startswith("Mill 1 over, told late: upper-over-limit")
    (mail,) = lived.post.mails
    assert title == mail.parsed["Subject"]
    for text in (lived.gate.requests[-1].event["data"]["text"], mail.text):
        assert "Began 2025-11-24 06:10:10, ended 2025-11-24 07:06:50, after 56 min" in text
        late = re.search(r"could not be sent for (\d+) min", text)
        assert 68 <= int(late[1]) <= 85
        assert "TODAY, over" in text
        assert " ago" not in text
    assert len(set(lived.gate.taken)) == len(lived.gate.taken)
    states = [(d.route, d.message.kind, d.state) for d in lived.journal.deliveries()]
    assert ("gate", "raised", "sent") in states or ("gate", "ended", "sent") in states
    assert not [s for s in states if s[2] in {"waiting", "leased", "failed"}]


def test_o05_wrong_secret_is_shown_as_a_fault_of_set_up(world, monkeypatch):
    lived = world("O05-notify-refused")
    lived.gate.answer_now = Answer(401)
    lived.live(lambda *_: None, 800)
    (failed,) = [d for d in lived.journal.deliveries("failed") if d.route == "gate"]
    assert "401: the receiver does not know us; check the secret on both sides" in failed.reason
    (taken,) = lived.post.mails  # another way is not held up by it
    assert "TODAY: upper-over-limit" in taken.parsed["Subject"]


@pytest.mark.slow
def test_o06_flood_is_told_in_few_messages_led_by_the_first_cause(world):
    lived = world("O06-alarm-flood", PLAN)
    lived.live(lambda *_: None, 2600)
    told = lived.told
    assert 2 <= len(told) <= 4, told
    assert any("40 sensors silent" in title for title in told)
    assert any("air" in title for title in told)
    assert len(told) == len(lived.post.mails)
    kept = len(lived.journal.entries(500, kind="alert"))
    assert kept > len(told)  # everything else is in the log


@pytest.mark.slow
def test_o07_chatter_is_one_message_and_what_nobody_sees_is_handed_on_and_then_rests(world):
    lived = world("O07-chatter-and-ack", AGAIN)
    lived.live(lambda *_: None, 5990)
    first, second = (a.id for a in lived.journal.alerts())
    told = [(r.event["data"]["alerts"][0]["id"], r.event["data"]["telling"])
            for r in lived.gate.requests]  # fmt: skip
    assert [(first, "raised"), (first, "ended"), (second, "raised"), (second, "reminder")] == told
    assert ["handed_over"] == [r.event["data"]["telling"] for r in lived.second.requests]
    assert 15 == lived.journal.alert(first).count


def _impatient(config):
    """The same with time limits that a test can wait for."""
    return replace(
        config,
        webhooks=tuple(replace(one, timeout_s=LIMIT_S) for one in config.webhooks),
        emails=tuple(replace(one, timeout_s=LIMIT_S) for one in config.emails),
    )


def _changes(tries):
    """Spans in which nothing was tried, between two tries."""
    at = [second for (second, count), (_, before) in zip(tries[1:], tries, strict=False)
          if count > before]  # fmt: skip
    return list(pairwise(at))
