"""A phone that answers as scripted, and a shop whose outbox works only when told to."""

import threading
from random import Random

import pytest

from condmon.delivery.outbox import Outbox
from condmon.delivery.plan import PlannedRoute, Routing
from condmon.engine.outputs import Output
from condmon.errors import SendError
from condmon.store.journal import Journal, Route
from tests.fakes import FakeClock
from tests.letters import NOW_US, SITE

ALL = ("now", "today", "note")
HOUR_S = 3600.0


class Phone:
    """A way to reach people that answers as the test scripts and remembers what it took."""

    def __init__(self, name="phone", urgencies=ALL) -> None:
        self.name, self.urgencies = name, urgencies
        self.answers = []
        self.letters = []
        self.keys = []  # of every try
        self.tries = 0
        self.gate = threading.Event()
        self.gate.set()

    def send(self, letter):
        self.tries += 1
        self.keys.append(letter.key)
        assert self.gate.wait(20)
        answer = self.answers.pop(0) if self.answers else None
        if isinstance(answer, Exception):
            raise answer
        self.letters.append(letter)
        return answer

    @property
    def told(self):
        return [letter.telling for letter in self.letters]


class Shop:
    """A journal, an outbox and a clock that stands until told otherwise."""

    def __init__(self, folder, *phones: Phone, routing: Routing | None = None) -> None:
        self.folder = folder
        self.routing = routing
        self.phones = phones or (Phone(),)
        self.clock = FakeClock(NOW_US)
        self.journal = Journal(folder)
        self.outbox = self.new_outbox()
        self._offset = 0

    def new_outbox(self):
        return Outbox(
            self.journal.path, self.phones, self.clock, SITE, Random(7), routing=self.routing
        )

    def write(self, *outputs: Output):
        self._offset += 1
        routes = [self._route(phone) for phone in self.phones]
        self.journal.write(outputs, self._offset, routes, self.clock.now_us())

    def _route(self, phone):
        if self.routing is None:
            return Route(phone.name, phone.urgencies)
        return PlannedRoute(phone.name, phone.urgencies, self.routing)

    def work(self, for_s=0.0):
        """Do all that is due, then let time pass from one due delivery to the next."""
        end_us = self.clock.now_us() + round(for_s * 1e6)
        while True:
            wait_s = self.outbox.step()
            if wait_s is None or self.clock.now_us() + wait_s * 1e6 > end_us:
                return wait_s
            self.clock.pass_s(wait_s)

    def states(self):
        return [(d.message.kind, d.state) for d in self.journal.deliveries()]

    def close(self):
        self.outbox.close()
        self.journal.close()


def again(words="503", wait_s=None):
    return SendError(words, again=True, wait_s=wait_s)


def never(words="410"):
    return SendError(words, again=False)


@pytest.fixture
def phone():
    return Phone()


@pytest.fixture
def shop(tmp_path, phone):
    made = Shop(tmp_path, phone)
    yield made
    made.close()
