"""Outputs: what the engine says, for the journal, the outbox and replay.

Pure. Every output has an id made from what it is about, so that doing the work twice (after a
crash, in a replay) changes nothing: stores insert or ignore by id. Times are microseconds of UTC.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from condmon.engine.records import I64, Samples
from condmon.engine.settings import Urgency

Facts = Mapping[str, str | float | int | bool | None]

AlertState = Literal[
    "active_unacknowledged",
    "active_acknowledged",
    "returned_unacknowledged",
    "normal",
    "shelved",
    "suppressed",
    "out_of_service",
]


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the machine event log."""

    id: str
    at_us: int
    machine: str  # "condmon" for condmon itself
    kind: str  # duty, alert, action, sensor, clock, gap, link, start, topic ...
    text: str  # one plain sentence
    facts: Facts = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Alert:
    """The whole alert after a change of any part; `revision` counts the changes from 1."""

    id: str
    revision: int
    at_us: int  # when this change happened
    machine: str
    machine_name: str
    check: str
    signals: tuple[str, ...]
    urgency: Urgency
    state: AlertState
    began_us: int  # the condition's first second
    raised_us: int  # the hold was reached
    ended_us: int | None  # the release was reached
    count: int  # times the condition came back while the alert lasted
    title: str
    what: str  # a plain sentence with value and normal
    why: str
    look_first: tuple[str, ...]
    if_nobody: str  # what happens if nobody acts
    caution: str
    judged: bool = True  # False: a signal it needs is unknown now
    acknowledged_by: str = ""
    acknowledged_us: int | None = None
    shelved_until_us: int | None = None
    cause: str = ""
    facts: Facts = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Message:
    """One message that is to reach a person.

    `kind`: raised, reminder, ended, or digest (all notes since the last one). `step` counts the
    reminders, so that (alert, kind, step) is the key that makes a repeat harmless.
    """

    id: str
    at_us: int
    kind: Literal["raised", "reminder", "ended", "digest"]
    step: int
    urgency: Urgency
    alerts: tuple[str, ...]  # alert ids
    machine: str
    title: str  # the first 40 characters carry it
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """Samples as the engine took them: time settled, plausibility judged, repeats marked.

    `at_us` is the time they belong to, shape (n,), beside the columns of `samples`.
    """

    at_us: I64
    samples: Samples


Output = Entry | Alert | Message | Judged
