"""What must hold after a run of the simulated world, whatever was done to it."""

from collections import Counter
from collections.abc import Sequence

import numpy as np

from condmon.daemon.pace import WAIT_FOR_LINK_S
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert
from condmon.engine.records import SECOND_US, Gap, Link, Record, Samples, Started
from condmon.history.store import History
from condmon.store.journal import Reader
from condmon.store.recorder import Recorder
from tests.sim.parts import QUEUE_MAX
from tests.sim.retold import like_replay
from tests.sim.telling import told_rightly
from tests.sim.world import Span, World

SLACK_US = 5 * SECOND_US
SEEN_S = 6
OWN = {
    "condmon-link": {"cut", "forget", "taken_over", "kill", "stop"},
    "condmon-health": {"disk_refuses", "disk_slow", "delay", "cut", "forget", "taken_over"},
}
"""What condmon may say of itself, and what must have been done to it before."""


def check(world: World) -> list[str]:
    """Everything that is wrong, in words; empty when all holds."""
    settings = world.config.settings
    recorder = Recorder(world.store, settings.signals, lambda: world.times.true_us)
    try:
        records = [record for _, batch in recorder.read(0) for record in batch]
    finally:
        recorder.close()
    with Reader(world.store) as reader:
        alerts = reader.alerts()
        deliveries = reader.deliveries()
        entries = reader.entries(limit=1_000_000)
    wrong = [*world.faults, *_left_behind(world)]
    wrong += _lost(world, records) + _untold(world, records) + _made_up(world, records)
    wrong += like_replay(Engine, settings, records, alerts, entries, deliveries)
    wrong += _invented(world, alerts) + _missed(world, alerts)
    wrong += told_rightly(world, deliveries)
    return wrong


def _numbers(world: World, records: Sequence[Record]) -> list[list[int]]:
    """The numbers of the messages in each record, in the order of the recording."""
    column = _column(world, "number")
    return [
        record.value[record.signal == column].astype(np.int64).tolist()
        if isinstance(record, Samples) else []
        for record in records
    ]  # fmt: skip


def _column(world: World, name: str) -> int:
    return next(s.index for s in world.config.settings.signals if s.name == name)


def _lost(world: World, records: Sequence[Record]) -> list[str]:
    """Nothing acknowledged is lost, nothing that was published is left over.

    While the disk takes nothing for long, messages are acknowledged from memory: condmon says so,
    and a kill in that time loses them.
    """
    have = {n for numbers in _numbers(world, records) for n in numbers}
    excused = sum(record.lost for record in records if isinstance(record, Gap))
    gone = sorted(set(world.broker.acknowledged) - have - world.from_memory)
    wrong = [f"acknowledged and not recorded: {gone[:9]}"] if len(gone) > excused else []
    left = sorted({n for n, _, _ in [*world.broker.waiting, *world.broker.inflight.values()]})
    if left:
        wrong.append(f"never acknowledged: {left[:9]}")
    silent = sorted(set(range(1, world.n + 1)) - have - world.broker.lost - world.from_memory)
    if len(silent) > excused:
        wrong.append(f"vanished: {silent[:9]}")
    starts = sum(isinstance(record, Started) for record in records)
    if starts > world.starts:
        wrong.append(f"{starts} starts recorded, {world.starts} happened")
    return wrong


def _untold(world: World, records: Sequence[Record]) -> list[str]:
    """Each hole has a gap: where numbers are missing, the recording says why between them."""
    first: dict[int, int] = {}
    for place, numbers in enumerate(_numbers(world, records)):
        for n in numbers:
            first.setdefault(n, place)
    told = [place for place, r in enumerate(records) if isinstance(r, Gap | Link | Started)]
    wrong, n = [], 1
    while n <= world.n:
        stop = n
        while stop <= world.n and stop not in first:
            stop += 1
        if stop > n:
            # what was over the broker's bound is missing behind what it had kept
            kept = QUEUE_MAX if n in world.broker.over else 0
            low = min(first.get(m, 0) for m in range(max(0, n - 1 - kept), n))
            while kept and low > 0 and not isinstance(records[low - 1], Samples):
                low -= 1
            high = first.get(stop, len(records))
            if not any(low <= place <= high for place in told):
                wrong.append(f"a hole without a gap: {n} to {stop - 1}")
        n = stop + 1
    return wrong


def _made_up(world: World, records: Sequence[Record]) -> list[str]:
    """What is recorded was said; the history has each sample once."""
    numbers = Counter(n for found in _numbers(world, records) for n in found)
    wrong = [f"nobody said number {n}" for n in numbers if not 1 <= n <= world.n]
    column = _column(world, "room")
    rooms = {round(v, 3) for r in records if isinstance(r, Samples)
             for v in r.value[r.signal == column].tolist()}  # fmt: skip
    wrong += [f"nobody said it is {v}" for v in sorted(rooms - world.rooms)]
    if not world.wrong_clock:
        history = History(world.store, world.config.settings.signals)
        span_us = (world.start_us - 86400 * SECOND_US, world.times.true_us + 86400 * SECOND_US)
        values = history.read("mill-1", "number", *span_us).value
        twice = [n for n, count in Counter(values.tolist()).items() if count > 1]
        wrong += [f"twice in the history: {twice[:9]}"] if twice else []
        if len(set(values.tolist())) != len(numbers):
            wrong.append(f"recorded {len(numbers)}, in the history {len(set(values.tolist()))}")
    return wrong


def _left_behind(world: World) -> list[str]:
    """Nothing that was done to the disk makes a file look damaged."""
    return [f"set aside: {path.name}" for path in world.store.rglob("*.damaged*")]


def _hot_us(world: World) -> list[tuple[int, int]]:
    at = world.start_us
    return [(at + s.start * SECOND_US, at + (s.stop + 1) * SECOND_US) for s in world.hot]


def _invented(world: World, alerts: Sequence[Alert]) -> list[str]:
    """No alert that the truth does not support."""
    wrong = []
    for alert in alerts:
        if alert.machine == "condmon":
            if not OWN.get(alert.check, set()) & world.done and not world.wrong_clock:
                wrong.append(f"invented: {alert.check}, {alert.what}")
            continue
        if alert.check != "bearing-over-limit" or not world.hot:
            wrong.append(f"invented: {alert.check}, {alert.what}")
            continue
        near = [1 for a, b in _hot_us(world)
                if a - SLACK_US <= alert.began_us <= b + SLACK_US]  # fmt: skip
        if not near and not world.wrong_clock:
            wrong.append(f"invented: {alert.check} at {(alert.began_us - world.start_us) / 1e6} s")
    return wrong


def _missed(world: World, alerts: Sequence[Alert]) -> list[str]:
    """A heat that lasted is told, unless its messages were lost by the rules.

    What happened in a hole of the link that lasted is history and raises nothing any more; so is
    what only memory had at a kill, when it comes again after such a hole.
    """
    if world.wrong_clock:
        return []
    dark = world.dark | {n - 1 for n in world.broker.lost | world.from_memory}
    for second, kept in world.forgotten:
        if set(range(second, second + round(WAIT_FOR_LINK_S) + 2)) <= world.dark:
            dark |= {n - 1 for n in kept}
    wrong = []
    # a hole may hide that it was cool for a while; the alert of before then goes on
    lasted = [(a.began_us, a.ended_us or world.times.true_us)
              for a in alerts if a.check == "bearing-over-limit"]  # fmt: skip
    for span, (start, stop) in zip(world.hot, _hot_us(world), strict=True):
        if _seen(dark, span) < SEEN_S:
            continue
        if not any(a <= stop + SLACK_US and start - SLACK_US <= b for a, b in lasted):
            wrong.append(f"missed: heat from {span.start} s to {span.stop} s")
    return wrong


def _seen(dark: set[int], span: Span) -> int:
    """The longest run of seconds of a span outside lasting holes."""
    longest = run = 0
    for second in range(span.start, span.stop):
        hole = [n for n in (1, -1) if _reach(dark, second, n)]
        run = 0 if hole else run + 1
        longest = max(longest, run)
    return longest


def _reach(dark: set[int], second: int, step: int) -> bool:
    """Whether a hole of more than a few seconds is here or just beside."""
    near = range(second, second + step * 3, step)
    return any(at in dark and sum(n in dark for n in range(at - 4, at + 5)) > 3 for at in near)
