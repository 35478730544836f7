"""A seeded world around a real service: everything happens in turns, nothing in threads."""

from collections.abc import Callable
from pathlib import Path
from random import Random
from types import SimpleNamespace
from typing import NamedTuple

import pytest

from condmon.config import Config, load
from condmon.daemon.service import Service
from condmon.engine.records import SECOND_US, Samples
from condmon.errors import CondmonError
from condmon.store.lock import LockedError
from tests.daemons import HEAD, MILL
from tests.sim.disk import Disk, Killed, power_cut
from tests.sim.harms import Harms
from tests.sim.memory import at_rest, too_much
from tests.sim.parts import RECEIVE_MAX, Broker, Client, Receiver, payload
from tests.sim.times import START_US, Times

TOPIC, ROOM = "pier/mill-1/bearing", "pier/mill-1/room"
NUMBER = 1  # place of the signal in the configuration
COOL, HOT = 40.0, 60.0
REST_S, REST_MAX_S = 40, 900
"""At the end nothing is harmed any more: so long at least, and until all is delivered; the longest
pause between two tries of a delivery is 375 s, a lease ends after 180 s."""

CONFIG = (
    HEAD.format(url="mqtt://127.0.0.1:1").replace(
        'keepalive = "5 s"', f'keepalive = "5 s"\nreceive_maximum = {RECEIVE_MAX}'
    )
    + MILL.replace(
        "[[check]]",
        f'[machine.signal.room]\ntopic = "{ROOM}"\nkind = "measure"\nunit = "Cel"\n'
        'stale_after = "1 h"\n[[check]]',
    )
    + """
[plan.now]
tell_end = true
"""
)


class Span(NamedTuple):
    """Seconds [start, stop) of the world's own time."""

    start: int
    stop: int


class World(Harms):
    """Plant, broker, disk, receiver and one service after the other, in one seed's order.

    `wrong_clock` lets the box's clock be wrong; the truth about single alerts is then not asked
    for.
    """

    def __init__(
        self, seed: int, folder: Path, monkeypatch: pytest.MonkeyPatch, turns: int
    ) -> None:
        self.seed, self.turns = seed, turns
        self.rng = Random(seed)
        self.folder, self.store = folder, folder / "store"
        self.wrong_clock = self.rng.random() < 0.25
        self.times = Times(self.rng.uniform(-1, 1) * (0.02 if self.wrong_clock else 0.0005))
        self.start_us = START_US
        self.broker = Broker()
        self.disk = Disk(Random(seed + 1), self.times, monkeypatch)
        self.receiver = Receiver(Random(seed + 2), self.disk)
        self.service: Service | None = None
        self.hot = self._hot_spans() if self.rng.random() < 0.8 else []
        self.dark: set[int] = set()  # seconds without a service that hears
        self.from_memory: set[int] = set()  # acknowledged while the disk took nothing, then killed
        self.forgotten: list[tuple[int, set[int]]] = []  # at a kill: what no disk had taken yet
        self.rooms: set[float] = set()  # what was said with QoS 0
        self.starts = self.kills = self.refusals = 0
        self.done: set[str] = set()  # names of what was done to it
        self.told: list[str] = []  # the same with its second, for the report of a failure
        self.faults: list[str] = []  # what was wrong on the way
        self.n = self._second = 0
        self.plan: dict[int, str] = {}  # second -> harm, beside those of chance
        self._blocks: dict[str, int] = {}
        self._until: list[tuple[int, Callable[[], None]]] = []
        (folder / "condmon.toml").write_text(CONFIG)
        self.config: Config = load(folder / "condmon.toml")
        for name, value in (
            ("daemon.rhythm.TURN_S", 0.0),
            ("daemon.service.SNAPSHOT_EVERY_S", self.rng.choice((20.0, 60.0, 600.0))),
            ("store.recorder.READ_PAUSE_S", 0.0),
            ("delivery.directly.PAUSE_S", 0.0),
            ("delivery.directly._Way._begin", lambda _way: None),
            (
                "daemon.ownhealth.shutil.disk_usage",
                lambda _path: SimpleNamespace(total=10**12, free=10**11),
            ),
        ):
            monkeypatch.setattr(f"condmon.{name}", value)

    def _hot_spans(self) -> list[Span]:
        spans, at = [], self.rng.randint(20, 80)
        while at < self.turns - 60:
            spans.append(Span(at, at + self.rng.randint(2, 60)))
            at = spans[-1].stop + self.rng.randint(20, 120)
        return spans

    # a run

    def run(self) -> None:
        """All turns with harm, then as many without as it takes to come to rest."""
        while self._second < self.turns:
            self.harm()
            self._turn()
        self.mend()
        rest = self._second + REST_S
        while self._second < rest or (self._waits() and self._second < rest + REST_MAX_S):
            self._turn()
        self._leave()

    def _turn(self) -> None:
        self.times.pass_s(1)
        before, self._second = self._second, self.times.second
        for second in range(before, self._second):
            self._publish(second)
        self.undo()
        try:
            if self.service is None:
                self._come_up()
            self._live()
        except Killed:
            self.kills += 1
            self.gone("killed", dead=True)
        if self.broker.client is None or self.broker.held:
            self.dark |= set(range(before, self._second))
        if self.service is not None:
            self.faults += too_much(self.service, self.broker)

    def _publish(self, second: int) -> None:
        value = HOT if any(s.start <= second < s.stop for s in self.hot) else COOL
        self.n += 1
        own_us = self.start_us + (second + 1) * SECOND_US
        body = payload(self.n, own_us, value + self.rng.random())
        for _ in range(2 if self.rng.random() < 0.03 else 1):
            self.broker.publish(self.n, TOPIC, body)
        if second % 5 == 0 and self.rng.random() < 0.8:  # some are lost, as QoS 0 allows
            room = round(20 + self.rng.random(), 3)
            self.rooms.add(room)
            self.broker.publish_at_most_once(ROOM, str(room).encode())

    def _live(self) -> None:
        service = self.service
        if service is None:
            return
        if self.broker.client is None and not self.blocked("link"):
            self.broker.connect(service.mqtt)  # type: ignore[arg-type]
        self.broker.hand_out()
        for _ in range(self.rng.randint(1, 3)):
            service.step()
        for way in service._directly._ways:
            way.run()
        try:
            for _ in range(20):
                wait_s = service._outbox.step()
                if wait_s is None or wait_s > 0:
                    break
        except CondmonError:
            self.refusals += 1

    def _waits(self) -> bool:
        """Whether anything is left to be done."""
        if self.service is None or self.service._spool.waiting or self.service._unwritten:
            return True
        return self.service.journal.undelivered_since_us() != 0

    def _come_up(self) -> None:
        if self.blocked("start"):
            return
        clock = self.times.clock()
        try:
            service = Service(self.config, clock, [self.receiver])
        except LockedError as error:
            raise AssertionError("the folder of a dead process is still locked") from error
        except CondmonError as error:
            self.told.append(f"{self._second}: no start, {error}")
            return
        service.mqtt = Client(  # type: ignore[assignment]
            self.broker, service.inbox, clock, self.disk
        )
        for part in (service._outbox_thread, service._asked, service._jobs, service._mirror):
            part.start = lambda: None  # type: ignore[method-assign]
        for lane in service._outbox._lanes:
            lane._chance = Random(self.seed + self.starts)
        self.service = service
        self.starts += 1
        self.receiver.life += 1
        try:
            service.start()
        except CondmonError as error:
            self.gone(f"no start, {error}", dead=False)

    def gone(self, why: str, *, dead: bool) -> None:
        """What is left of a process that ended: what the disk has."""
        self.told.append(f"{self._second}: {why}")
        self.broker.cut("the client is gone")
        service, self.service = self.service, None
        self.block("start", self.rng.choice((0, 3, 20, 90)))
        refusing, slow_s = self.disk.refusing, self.disk.slow_s
        self.disk.mend()
        if service is not None and dead:
            kept = _only_in_memory(service)
            self.forgotten.append((self._second, kept))
            if len(kept) > RECEIVE_MAX // 3:  # with doubles half: the broker would stop sending
                self.from_memory |= kept & set(self.broker.acknowledged)
            power_cut(self.store, self.rng, lambda: _close(service))
        elif service is not None:
            _close(service)
        self.disk.refusing, self.disk.slow_s = refusing, slow_s

    def _leave(self) -> None:
        """A clean stop."""
        service, self.service = self.service, None
        assert service is not None, f"it never came up again: {self.told}"
        self.faults += at_rest(service)
        service.step()
        service.stop()


def _only_in_memory(service: Service) -> set[int]:
    """Numbers of the messages that wait for a disk that takes nothing."""
    return {
        int(n)
        for _, batch in service._spool._waiting
        for record in batch
        if isinstance(record, Samples)
        for n in record.value[record.signal == NUMBER]
    }


def _close(service: Service) -> None:
    service._history.stop()
    service._outbox.close()
    service.recorder.close()
    service.journal.close()
    service._lock.release()
