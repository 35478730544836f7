"""What is done to the simulated world, each harm by its chance a turn."""

from __future__ import annotations

from collections.abc import Callable
from random import Random
from typing import TYPE_CHECKING

from condmon.engine.records import Action
from condmon.errors import CondmonError
from tests.sim.disk import FAULTS, Disk, Killed

if TYPE_CHECKING:
    from condmon.daemon.service import Service
    from tests.sim.parts import Broker, Receiver
    from tests.sim.times import Times

YEARS_S = 10 * 365 * 86400.0
STEPS_S = (-3600.0, 3600.0, -2.0, 2.0, -86400.0, 86400.0, YEARS_S, -YEARS_S)

HARMS = {
    "kill": 0.02,
    "stop": 0.004,
    "cut": 0.015,
    "forget": 0.003,
    "taken_over": 0.003,
    "delay": 0.006,
    "one_call_fails": 0.01,
    "disk_refuses": 0.004,
    "disk_slow": 0.004,
    "receiver": 0.01,
    "person": 0.01,
    "clock_steps": 0.008,
    "clock_right": 0.008,
    "clock_lost": 0.004,
}


class Harms:
    """The half of the world that does harm, and ends what lasts for a while."""

    rng: Random
    times: Times
    broker: Broker
    disk: Disk
    receiver: Receiver
    service: Service | None
    wrong_clock: bool
    done: set[str]
    told: list[str]
    plan: dict[int, str]
    _second: int
    gone: Callable[..., None]

    def harm(self) -> None:
        """Whatever the plan and this turn's chances bring."""
        if name := self.plan.pop(self._second, ""):
            getattr(self, f"_{name}")()
        for name, chance in HARMS.items():
            if self.rng.random() < chance and (self.wrong_clock or not name.startswith("clock")):
                self.told.append(f"{self._second}: {name}")
                self.done.add(name)
                getattr(self, f"_{name}")()

    def mend(self) -> None:
        """All harm is over."""
        self._until.clear()
        self.disk.mend()
        self.receiver.mood, self.broker.held = "takes", False
        self._blocks.clear()

    # the process

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
            self.block("start", self.rng.choice((0, 5, 100)))

    def _person(self) -> None:
        """Someone sees the newest alert on the page."""
        if self.service is not None and (alerts := self.service.standing.engine.open_alerts()):
            at_us = self.service._clock.now_us()
            self.service.inbox.put_action(
                Action(at_us, "acknowledge", "owner", alert=alerts[-1].id)
            )

    # the broker

    def _cut(self) -> None:
        self.broker.cut("connection lost")
        self.block("link", self.rng.choice((0, 2, 15, 60, 150)))

    def _forget(self) -> None:
        self.broker.forget()
        self.block("link", self.rng.choice((0, 5, 40)))

    def _taken_over(self) -> None:
        self.broker.taken_over()
        self.block("link", self.rng.choice((0, 5, 40)))

    def _delay(self) -> None:
        self.broker.held = True
        self.later(self.rng.choice((2, 10, 60)), self._no_delay)

    def _no_delay(self) -> None:
        self.broker.held = False

    # the disk

    def _one_call_fails(self) -> None:
        self.disk.fail_at = self.disk.calls + self.rng.randint(1, 40)

    def _disk_refuses(self) -> None:
        if not self.disk.refusing:
            self.disk.refusing = self.rng.choice(FAULTS)
            self.later(self.rng.choice((3, 20, 60)), self._disk_takes)

    def _disk_takes(self) -> None:
        self.disk.refusing = ""

    def _disk_slow(self) -> None:
        self.disk.slow_s = self.rng.choice((0.05, 0.3, 1.0))
        self.later(self.rng.choice((3, 20, 60)), self._disk_fast)

    def _disk_fast(self) -> None:
        self.disk.slow_s = 0.0

    # the receiver

    def _receiver(self) -> None:
        self.receiver.mood = self.rng.choice(("refuses", "hangs", "takes silently"))
        self.later(self.rng.choice((5, 30, 90)), self._receiver_takes)

    def _receiver_takes(self) -> None:
        self.receiver.mood = "takes"

    # the clock

    def _clock_steps(self) -> None:
        step_s = self.rng.choice(STEPS_S)
        self.told.append(f"{self._second}: clock {step_s:+.0f} s")
        self.times.step_wall_s(step_s)

    def _clock_right(self) -> None:
        self.times.set_right()

    def _clock_lost(self) -> None:
        """Power fails, and the clock has no battery: it is 1970."""
        self.gone("power lost", dead=True)
        self.times.power_lost()

    # what lasts for a while

    def block(self, what: str, seconds: int) -> None:
        self._blocks[what] = max(self._blocks.get(what, 0), self._second + seconds)

    def blocked(self, what: str) -> bool:
        return self._blocks.get(what, 0) > self._second

    def later(self, seconds: int, undo: Callable[[], None]) -> None:
        self._until.append((self._second + seconds, undo))

    def undo(self) -> None:
        """End what has lasted long enough."""
        for at, undo in [one for one in self._until if one[0] <= self._second]:
            undo()
            self._until.remove((at, undo))
