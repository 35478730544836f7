"""The second way out: what is put at any moment is sent, also as its thread ends."""

import queue
import threading

from condmon.delivery.directly import AFTER_S, Directly
from condmon.store.journal import Route
from tests.fakes import FakeClock
from tests.letters import SITE, alert, message
from tests.waiting import until


class Phone:
    name = "phone"

    def __init__(self) -> None:
        self.seen: list[str] = []

    def send(self, letter) -> None:
        self.seen.append(letter.message.id)


class Ending(queue.SimpleQueue):
    """Has nothing, and just as the thread takes that as its end somebody puts a message."""

    def __init__(self, late) -> None:
        super().__init__()
        self._late = late

    def get(self, *args, **more):
        if self._late is None:
            return super().get(*args, **more)
        late, self._late = self._late, None
        late()
        raise queue.Empty


def test_message_put_as_the_thread_ends_is_sent_too():
    phone, clock, told, stop = Phone(), FakeClock(), [], threading.Event()
    routes = [Route("phone", ("now",))]
    way = Directly([phone], routes, SITE, clock, told.append, stop)
    first, second = message(1), message(2)
    way.look([alert(1), first])
    clock.pass_s(AFTER_S)
    sent = way._ways[0]._queue = Ending(lambda: way.look([alert(2), second]))
    try:
        way.look([alert(1), first])
        until(lambda: phone.seen == [first.id, second.id], 10, "both are told")
        until(lambda: len(told) == 2, 10, "the journal is told of both")
        assert sent.empty()
    finally:
        stop.set()
