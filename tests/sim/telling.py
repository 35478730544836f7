"""Each message reaches the receiver at least once, and not once more without a reason."""

from collections.abc import Sequence

from condmon.senders.letter import Letter
from condmon.store.journal import Delivery
from tests.sim.parts import Got
from tests.sim.world import World


def told_rightly(world: World, deliveries: Sequence[Delivery]) -> list[str]:
    """What was not told, told though it is not in the journal, or told twice, in words."""
    got = world.receiver.got
    keys = {one.letter.key for one in got}
    wrong = [f"not delivered: {d.key} is {d.state} ({d.reason})"
             for d in deliveries if d.state in {"waiting", "leased", "failed"}]  # fmt: skip
    told = {alert.id for one in got for alert in one.letter.alerts}
    for d in deliveries:
        together = d.message.alerts and told.issuperset(d.message.alerts)
        if d.state == "sent" and d.key not in keys and not together:
            wrong.append(f"marked as sent and never received: {d.key}")
    known = {d.key for d in deliveries} | world.receiver.straight
    wrong += [f"received and not in the journal: {one.letter.key}" for one in got
              if one.letter.key not in known
              and not _told_together(one.letter, deliveries)]  # fmt: skip
    return wrong + _twice(got)


def _told_together(letter: Letter, deliveries: Sequence[Delivery]) -> bool:
    """Whether one message tells several that waited; its key is that of the fold."""
    alerts = {alert for d in deliveries for alert in d.message.alerts}
    return letter.telling == "digest" and all(alert.id in alerts for alert in letter.alerts)


def _twice(got: Sequence[Got]) -> list[str]:
    """Letters that came again although their sender knew that they had come."""
    before: dict[str, Got] = {}
    wrong = []
    for one in got:
        last = before.get(one.letter.key)
        if last and not last.excused and last.life == one.life:
            wrong.append(f"told twice: {one.letter.key} ({one.letter.title})")
        before[one.letter.key] = one
    return wrong
