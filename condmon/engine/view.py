"""View: what the engine holds at this moment, for the page. Pure; reads state and changes none."""

from dataclasses import dataclass
from typing import Literal

from condmon.engine.records import SECOND_US
from condmon.engine.settings import Signal
from condmon.engine.watch import Watch

Standing = Literal["good", "unfed", "unusable", "silent", "never"]


@dataclass(frozen=True, slots=True)
class SignalView:
    """One signal: the last usable value and when it was measured.

    `standing`: good; unfed (silent on purpose, what feeds it is off); unusable (something comes,
    nothing of it can be used); silent (nothing comes any more); never (nothing has come yet).
    """

    name: str
    value: float  # NaN when there was none
    at_us: int | None  # the second of the last usable value
    heard_us: int | None  # the second in which anything last came
    standing: Standing
    outlook: str = ""  # what a check foresees for it as things are now


@dataclass(frozen=True, slots=True)
class CheckView:
    """One check of a machine, and the alert it has raised, if one lasts."""

    key: str
    title: str
    out_of_service: bool
    alert: str


@dataclass(frozen=True, slots=True)
class MachineView:
    """One machine: what it is doing since when, its signals and checks."""

    id: str
    duty: str  # empty: not known
    duty_since_us: int | None
    signals: tuple[SignalView, ...]
    checks: tuple[CheckView, ...]
    learned: tuple[tuple[str, tuple[str, ...]], ...] = ()  # of what, and in words


@dataclass(frozen=True, slots=True)
class View:
    """All machines at the last closed second."""

    at_us: int  # the engine's last beacon
    linked: bool  # whether the way to the broker is up
    machines: tuple[MachineView, ...]


def view_of(watches: list[Watch], now_us: int) -> View:
    """Look at every machine; the last watch is condmon itself and tells of the link."""
    machines = tuple(_machine(watch) for watch in watches[:-1])
    return View(now_us, all(watch.ticks.linked for watch in watches[:-1]), machines)


def _machine(watch: Watch) -> MachineView:
    duty, since = watch.duty.now()
    out_of_service, active = watch.book.standing()
    return MachineView(
        watch.machine.id,
        duty,
        None if since is None else since * SECOND_US,
        tuple(_signal(watch, i, signal) for i, signal in enumerate(watch.machine.signals)),
        tuple(
            CheckView(c.key, c.title, c.key in out_of_service, active.get(c.key, ""))
            for c in watch.checks
        ),
        tuple((t.subject, t.lines) for c in watch.checks if (t := c.learned()).lines),
    )


def _signal(watch: Watch, column: int, signal: Signal) -> SignalView:
    ticks = watch.ticks
    held, heard = int(ticks.held_tick[column]), int(ticks.heard_tick[column])
    return SignalView(
        signal.name,
        float(ticks.held[column]),
        held * SECOND_US if held >= 0 else None,
        heard * SECOND_US if heard >= 0 else None,
        _standing(watch, signal, held, heard),
        next((c.outlook() for c in watch.checks if c.signals[:1] == (signal,) and c.outlook()), ""),
    )


def _standing(watch: Watch, signal: Signal, held: int, heard: int) -> Standing:
    ticks = watch.ticks
    limit = signal.stale_after_s
    old = limit is not None and ticks.next_tick - 1 - held > limit
    if held >= 0 and not old:
        return "good"
    if signal.fed_by and ticks.held[_column(watch, signal.fed_by)] == 0:
        return "unfed"
    if heard < 0:
        return "never"
    return "unusable" if limit is None or ticks.next_tick - 1 - heard <= limit else "silent"


def _column(watch: Watch, name: str) -> int:
    return [signal.name for signal in watch.machine.signals].index(name)
