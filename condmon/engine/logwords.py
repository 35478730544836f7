"""The log's words for records that are events: gaps, links, starts, topics, models. Pure."""

from types import MappingProxyType

from condmon.engine.ids import short_id
from condmon.engine.outputs import Entry, Facts
from condmon.engine.records import Gap, Link, ModelOn, Started, Stray
from condmon.engine.settings import CONDMON
from condmon.engine.words import span

Event = Gap | Link | ModelOn | Started | Stray
TAKES_EFFECT = " takes effect"
NONE: Facts = MappingProxyType({})


def entry_of(record: Event, refused: str = "", learned: str = "", more: Facts = NONE) -> Entry:
    """One line of the log; `refused` says why a model does not take effect.

    `learned` and `more` are what the checks say of a model that does.
    """
    kind, text, machine, facts = _told(record)
    if learned:
        text = f"{text}: {learned}"
    if refused:
        text = f"{text.removesuffix(TAKES_EFFECT)} is not used: {refused}"
    made = short_id(kind, machine, record.at_us, text)
    return Entry(made, record.at_us, machine, kind, text, {**facts, **more})


def _told(record: Event) -> tuple[str, str, str, dict[str, str | int]]:
    """Kind, sentence, machine and facts."""
    match record:
        case Gap():
            lost = f", {record.lost} messages are known to be lost" if record.lost else ""
            lasted_us = record.to_us - record.from_us
            text = record.reason + (f": nothing for {span(lasted_us / 1e6)}" if lasted_us else "")
            facts: dict[str, str | int] = {"from_us": record.from_us, "to_us": record.to_us}
            return "gap", text + lost, record.machine or CONDMON, facts
        case Link():
            reason = f": {record.reason}" if record.reason else ""
            word = "up" if record.up else "down"
            return "link", f"link to the broker is {word}{reason}", CONDMON, {}
        case Stray(topic=""):
            text = "further topics that nobody configured are only counted from now on"
            return "topic", text, CONDMON, {}
        case Stray():
            near = f"; it looks like {record.near}" if record.near else ""
            text = f"heard a topic that nobody configured: {record.topic!a}{near}"
            return "topic", text, CONDMON, {"topic": record.topic}
        case Started():
            word = "again after a stop" if record.restart else "for the first time"
            text = f"condmon {record.version} started {word}"
            return "start", text, CONDMON, {"settings": record.settings}
        case ModelOn():
            text = f"model {record.model} {record.id}{TAKES_EFFECT}"
            return "model", text, record.machine, {"model": record.model, "id": record.id}
