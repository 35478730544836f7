"""Live equals replay: what the journal holds is what the recording says, pushed anew."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from condmon.daemon.service import DAY_US, PLAUSIBLE_US
from condmon.engine.engine import Engine
from condmon.engine.outputs import Alert, Entry, Message
from condmon.engine.records import Beacon, Record, Started
from condmon.engine.settings import Settings
from condmon.store.journal import Delivery

PUT_BACK = "because the clock was put back"


def like_replay(
    made: Callable[[Settings], Engine],
    settings: Settings,
    records: Sequence[Record],
    alerts: Sequence[Alert],
    entries: Sequence[Entry],
    deliveries: Sequence[Delivery],
) -> list[str]:
    """What differs between the journal and a replay, alert by alert, line by line."""
    again: dict[str, Alert] = {}
    lines: set[str] = set()
    letters: set[str] = set()
    for part in _lives(records):
        for output in made(settings).push(part):
            match output:
                case Alert():
                    again[output.id] = output
                case Entry():
                    lines.add(output.id)
                case Message():
                    letters.add(output.id)
    live = {alert.id: alert for alert in alerts}
    wrong = ["an alert id is there twice"] if len(live) != len(alerts) else []
    wrong += [f"only in the journal: {live[i].check} {live[i].began_us}"
              for i in live.keys() - again]  # fmt: skip
    wrong += [f"only in the replay: {again[i].check} {again[i].began_us}"
              for i in again.keys() - live]  # fmt: skip
    wrong += [f"differs: {live[i]} / {again[i]}" for i in live.keys() & again.keys()
              if not _same(live[i], again[i])]  # fmt: skip
    known = {entry.id for entry in entries}
    wrong += [f"a line only in the journal: {e.text}" for e in entries
              if e.id not in lines and PUT_BACK not in e.text]  # fmt: skip
    wrong += [f"{len(lines - known)} lines only in the replay"] if lines - known else []
    told = {d.message.id for d in deliveries}
    wrong += [f"{len(letters - told)} messages only in the replay"] if letters - told else []
    wrong += [f"a message only in the journal: {d.message.title}" for d in deliveries
              if d.message.id not in letters and d.message.kind != "digest"]  # fmt: skip
    return wrong


def _same(live: Alert, again: Alert) -> bool:
    """Equal; one that was closed when the clock was put back went on in the replay."""
    if "the clock was put back" in live.cause:
        return replace(live, revision=0) is not None and live.began_us == again.began_us
    return live == again


def _lives(records: Sequence[Record]) -> Iterator[list[Record]]:
    """The recording, cut where the daemon began anew because the clock had been put back."""
    part: list[Record] = []
    latest_us = 0
    for record in records:
        if isinstance(record, Beacon):
            latest_us = max(latest_us, record.at_us)
        if isinstance(record, Started) and PLAUSIBLE_US < record.at_us < latest_us - DAY_US:
            yield part
            part, latest_us = [], 0
        part.append(record)
    yield part
