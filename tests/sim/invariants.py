"""What must hold after a run of the simulated world, whatever was done to it."""

from collections import Counter

import numpy as np

from condmon.config import load
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert
from condmon.engine.records import SECOND_US, Gap, Samples, Started
from condmon.senders.letter import Letter
from condmon.store.journal import Reader
from condmon.store.recorder import Recorder
from tests.sim.world import Span, World

SLACK_US = 5 * SECOND_US
SEEN_S = 6


def check(world: World) -> list[str]:
    """Everything that is wrong, in words; empty when all holds."""
    config = load(world.folder / "condmon.toml")
    settings = config.settings
    recorder = Recorder(world.store, settings.signals, world.clock.now_us)
    try:
        records = [record for _, batch in recorder.read(0) for record in batch]
    finally:
        recorder.close()
    with Reader(world.store) as reader:
        alerts = reader.alerts()
        deliveries = reader.deliveries()
    wrong = _lost(world, records)
    wrong += _like_replay(Engine(settings), records, alerts)
    wrong += _invented(world, alerts) + _missed(world, alerts)
    wrong += _delivered(world, deliveries)
    return wrong


def _lost(world: World, records: list) -> list[str]:
    """Nothing acknowledged is lost, nothing that was published is left over."""
    number = next(s.index for s in load(world.folder / "condmon.toml").settings.signals
                  if s.name == "number")  # fmt: skip
    have: Counter[int] = Counter()
    for record in records:
        if isinstance(record, Samples):
            have.update(record.value[record.signal == number].astype(np.int64).tolist())
    excused = sum(record.lost for record in records if isinstance(record, Gap))
    gone = sorted(set(world.broker.acknowledged) - set(have))
    wrong = [f"acknowledged and not recorded: {gone[:9]}"] if len(gone) > excused else []
    left = sorted({n for n, _, _ in [*world.broker.waiting, *world.broker.inflight.values()]})
    if left:
        wrong.append(f"never acknowledged: {left[:9]}")
    silent = sorted(set(range(1, world._n + 1)) - set(have) - world.broker.lost)
    if len(silent) > excused:
        wrong.append(f"vanished without a gap: {silent[:9]}")
    starts = sum(isinstance(record, Started) for record in records)
    if starts > world.starts:
        wrong.append(f"{starts} starts recorded, {world.starts} happened")
    return wrong


def _like_replay(engine: Engine, records: list, alerts: list[Alert]) -> list[str]:
    """What the journal says is what the recording says, pushed through a fresh engine."""
    again: dict[str, Alert] = {}
    for output in engine.push(records):
        if isinstance(output, Alert):
            again[output.id] = output
    live = {alert.id: alert for alert in alerts}
    if len(live) != len(alerts):
        return ["an alert id is there twice"]
    wrong = [
        f"only in the journal: {live[i].check} {live[i].began_us}" for i in live.keys() - again
    ]
    wrong += [
        f"only in the replay: {again[i].check} {again[i].began_us}" for i in again.keys() - live
    ]
    wrong += [f"differs: {live[i]} / {again[i]}"
              for i in live.keys() & again.keys() if live[i] != again[i]]  # fmt: skip
    return wrong


def _hot_us(world: World) -> list[tuple[int, int]]:
    at = world.start_us
    return [(at + s.start * SECOND_US, at + (s.stop + 1) * SECOND_US) for s in world.hot]


def _invented(world: World, alerts: list[Alert]) -> list[str]:
    """No alert that the truth does not support."""
    wrong = []
    for alert in alerts:
        if alert.machine == "condmon":
            continue
        if alert.check != "bearing-over-limit" or not world.hot:
            wrong.append(f"invented: {alert.check}, {alert.what}")
            continue
        near = [1 for a, b in _hot_us(world)
                if a - SLACK_US <= alert.began_us <= b + SLACK_US]  # fmt: skip
        if not near and not world.wrong_clock:
            wrong.append(f"invented: {alert.check} at {(alert.began_us - world.start_us) / 1e6} s")
    return wrong


def _missed(world: World, alerts: list[Alert]) -> list[str]:
    """A heat that lasted is told, unless its messages were lost with the broker's session.

    What happened in a hole of the link that lasted is history and raises nothing any more.
    """
    if world.wrong_clock or world.broker.lost:
        return []
    wrong = []
    # a hole may hide that it was cool for a while; the alert of before then goes on
    lasted = [(a.began_us, a.ended_us or world.clock.now_us())
              for a in alerts if a.check == "bearing-over-limit"]  # fmt: skip
    for span, (start, stop) in zip(world.hot, _hot_us(world), strict=True):
        if _seen(world, span) < SEEN_S:
            continue
        if not any(a <= stop + SLACK_US and start - SLACK_US <= b for a, b in lasted):
            wrong.append(f"missed: heat from {span.start} s to {span.stop} s")
    return wrong


def _seen(world: World, span: Span) -> int:
    """The longest run of seconds of a span outside lasting holes."""
    longest = run = 0
    for second in range(span.start, span.stop):
        hole = [n for n in (1, -1) if _reach(world.dark, second, n)]
        run = 0 if hole else run + 1
        longest = max(longest, run)
    return longest


def _reach(dark: set[int], second: int, step: int) -> bool:
    """Whether a hole of more than a few seconds is here or just beside."""
    near = range(second, second + step * 3, step)
    return any(at in dark and sum(n in dark for n in range(at - 4, at + 5)) > 3 for at in near)


def _delivered(world: World, deliveries: list) -> list[str]:
    """Each message reached the receiver or says why not; a repeat has the same key."""
    got = Counter(letter.key for _, letter in world.receiver.got)
    wrong = [f"not delivered: {d.key} is {d.state} ({d.reason})"
             for d in deliveries if d.state in {"waiting", "leased", "failed"}]  # fmt: skip
    told = {alert.id for _, letter in world.receiver.got for alert in letter.alerts}
    for d in deliveries:
        together = d.message.alerts and told.issuperset(d.message.alerts)
        if d.state == "sent" and d.key not in got and not together:
            wrong.append(f"marked as sent and never received: {d.key}")
    known = {d.key for d in deliveries} | world.receiver.straight
    wrong += [f"received and not in the journal: {letter.key}" for _, letter in world.receiver.got
              if letter.key not in known and not _told_together(letter, deliveries)]  # fmt: skip
    return wrong


def _told_together(letter: Letter, deliveries: list) -> bool:
    """Whether one message tells several that waited; its key is that of the fold."""
    alerts = {alert for d in deliveries for alert in d.message.alerts}
    return letter.telling == "digest" and all(alert.id in alerts for alert in letter.alerts)
