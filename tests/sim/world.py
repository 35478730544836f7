"""A seeded world around a real service: everything happens in turns, nothing in threads."""

from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import NamedTuple

import pytest

from condmon.config import load
from condmon.daemon.service import Service
from condmon.engine.records import SECOND_US
from condmon.errors import CondmonError
from condmon.store.lock import LockedError
from tests.daemons import HEAD, MILL
from tests.fakes import FakeClock
from tests.sim.parts import FAULTS, Broker, Client, Disk, Killed, Receiver, payload

TOPIC = "pier/mill-1/bearing"
COOL, HOT = 40.0, 60.0
SILENT_S = 300
YEARS_S = 10 * 365 * 86400.0
CONFIG = (
    HEAD.format(url="mqtt://127.0.0.1:1")
    + MILL
    + """
[plan.now]
tell_end = true
"""
)


class Span(NamedTuple):
    """Seconds [start, stop) of the world's own time."""

    start: int
    stop: int


class World:
    """Plant, broker, disk, receiver and one service after the other, in one seed's order.

    `wrong_clock` lets the box's clock step; the truth about single alerts is then not asked for.
    """

    def __init__(
        self, seed: int, folder: Path, monkeypatch: pytest.MonkeyPatch, turns: int
    ) -> None:
        self.seed, self.turns = seed, turns
        self.rng = Random(seed)
        self.folder, self.store = folder, folder / "store"
        self.clock = FakeClock()
        self.start_us = self.clock.now_us()
        self.broker = Broker()
        self.disk = Disk(Random(seed + 1), monkeypatch)
        self.receiver = Receiver(Random(seed + 2), self.clock, self.disk)
        self.service: Service | None = None
        self.wrong_clock = self.rng.random() < 0.25
        self.hot = self._hot_spans() if self.rng.random() < 0.8 else []
        self.dark: set[int] = set()  # seconds without a service that has a link
        self.starts = self.kills = self.refusals = 0
        self.told: list[str] = []  # what was done to it, for the report of a failure
        self._n = self._second = 0
        self._until: list[tuple[int, Callable[[], None]]] = []
        (folder / "condmon.toml").write_text(CONFIG)
        monkeypatch.setattr("condmon.daemon.service.TURN_S", 0.0)

    def _hot_spans(self) -> list[Span]:
        spans, at = [], self.rng.randint(20, 80)
        while at < self.turns - 60:
            spans.append(Span(at, at + self.rng.randint(2, 60)))
            at = spans[-1].stop + self.rng.randint(20, 120)
        return spans

    # a run

    def run(self) -> None:
        """All turns with harm, then as many without as it takes to come to rest."""
        for second in range(self.turns):
            self._second = second
            self._harm()
            self._turn()
        self._mend()
        for second in range(self.turns, self.turns + 120):
            self._second = second
            self._turn()
        self.leave()

    def _turn(self) -> None:
        self.clock.pass_s(1)
        self._publish()
        for at, undo in [one for one in self._until if one[0] <= self._second]:
            undo()
            self._until.remove((at, undo))
        try:
            if self.service is None:
                self._come_up()
            self._live()
        except Killed:
            self.kills += 1
            self._gone("killed")
        if self.broker.client is None:
            self.dark.add(self._second)

    def _publish(self) -> None:
        value = HOT if any(s.start <= self._second < s.stop for s in self.hot) else COOL
        self._n += 1
        own_us = self.start_us + (self._second + 1) * SECOND_US
        body = payload(self._n, own_us, value + self.rng.random())
        for _ in range(2 if self.rng.random() < 0.03 else 1):
            self.broker.publish(self._n, TOPIC, body)

    def _live(self) -> None:
        service = self.service
        if service is None:
            return
        if self.broker.client is None and not self._blocked("link"):
            self.broker.connect(service.mqtt, forget=False)  # type: ignore[arg-type]
        self.broker.hand_out(self.clock.now_us())
        for _ in range(self.rng.randint(1, 3)):
            service.step()
        try:
            for _ in range(20):
                wait_s = service._outbox.step()
                if wait_s is None or wait_s > 0:
                    break
        except CondmonError:
            self.refusals += 1

    def _come_up(self) -> None:
        if self._blocked("start"):
            return
        try:
            service = Service(load(self.folder / "condmon.toml"), self.clock, [self.receiver])
        except LockedError as error:
            raise AssertionError("the folder of a dead process is still locked") from error
        except CondmonError as error:
            self.told.append(f"{self._second}: no start, {error}")
            return
        client = Client(self.broker, service.inbox, self.clock)
        service.mqtt = client  # type: ignore[assignment]
        for part in (service._outbox_thread, service._asked, service._jobs, service._mirror):
            part.start = lambda: None  # type: ignore[method-assign]
        self.service = service
        self.starts += 1
        try:
            service.start()
        except CondmonError as error:
            self._gone(f"no start, {error}")

    def _gone(self, why: str) -> None:
        """What is left of a process that ended: what the disk has."""
        self.told.append(f"{self._second}: {why}")
        self.broker.cut("the client is gone")
        service, self.service = self.service, None
        self._block("start", self.rng.choice((0, 3, 20, 90)))
        refusing, self.disk.refusing, self.disk.fail_at = self.disk.refusing, "", 0
        if service is not None:
            service._history.stop()
            service._outbox.close()
            service.recorder.close()
            service.journal.close()
            service._lock.release()
        self.disk.refusing = refusing

    def leave(self) -> None:
        """A clean stop."""
        service, self.service = self.service, None
        assert service is not None, f"it never came up again: {self.told}"
        service.step()
        service.stop()

    # harm

    def _harm(self) -> None:
        for name, chance in HARMS.items():
            if self.rng.random() < chance and (self.wrong_clock or not name.startswith("clock")):
                self.told.append(f"{self._second}: {name}")
                getattr(self, f"_{name}")()

    def _kill(self) -> None:
        self.disk.die_at = self.disk.calls + self.rng.randint(1, 60)

    def _stop(self) -> None:
        if self.service is not None and not self.disk.refusing:
            service, self.service = self.service, None
            try:
                service.stop()
            except (Killed, CondmonError) as error:  # its last steps were not the end it meant
                self.told.append(f"{self._second}: stop ended by {error!r}")
            self.broker.cut("left")
            self._block("start", self.rng.choice((0, 5, 100)))

    def _cut(self) -> None:
        self.broker.cut(self.rng.choice(("connection lost", "the session was taken over")))
        self._block("link", self.rng.choice((0, 2, 15, 60)))

    def _forget(self) -> None:
        self.broker.cut("the broker was restarted")
        if self.service is not None:
            self.told.append(f"{self._second}: session forgotten")
            self.broker.connect(self.service.mqtt, forget=True)  # type: ignore[arg-type]

    def _one_call_fails(self) -> None:
        self.disk.fail_at = self.disk.calls + self.rng.randint(1, 40)

    def _disk_refuses(self) -> None:
        if not self.disk.refusing:
            self.disk.refusing = self.rng.choice(FAULTS)
            self._later(self.rng.choice((3, 20, 60)), self._disk_takes)

    def _disk_takes(self) -> None:
        self.disk.refusing = ""

    def _receiver(self) -> None:
        self.receiver.mood = self.rng.choice(("refuses", "hangs", "takes silently"))
        self._later(self.rng.choice((5, 30, 90)), self._receiver_takes)

    def _receiver_takes(self) -> None:
        self.receiver.mood = "takes"

    def _clock_steps(self) -> None:
        step_s = self.rng.choice((-3600.0, 3600.0, -2.0, 2.0, 86400.0, YEARS_S))
        self.told.append(f"{self._second}: clock {step_s:+.0f} s")
        self.clock.step_wall_s(step_s)

    def _mend(self) -> None:
        self._until = []
        self.disk.refusing, self.disk.die_at, self.disk.fail_at = "", 0, 0
        self.receiver.mood = "takes"
        self._blocks = {}

    # what lasts for a while

    _blocks: dict[str, int]

    def _block(self, what: str, seconds: int) -> None:
        blocks = self.__dict__.setdefault("_blocks", {})
        blocks[what] = max(blocks.get(what, 0), self._second + seconds)

    def _blocked(self, what: str) -> bool:
        return self.__dict__.setdefault("_blocks", {}).get(what, 0) > self._second

    def _later(self, seconds: int, undo: Callable[[], None]) -> None:
        self._until.append((self._second + seconds, undo))


HARMS = {
    "kill": 0.02,
    "stop": 0.004,
    "cut": 0.015,
    "forget": 0.002,
    "one_call_fails": 0.01,
    "disk_refuses": 0.004,
    "receiver": 0.01,
    "clock_steps": 0.01,
}
