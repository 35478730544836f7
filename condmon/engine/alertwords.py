"""What an alert puts into a message, into the log and into a snapshot. Pure."""

from typing import Any, Literal

from condmon.engine.ids import short_id
from condmon.engine.outputs import Alert, Entry, Facts, Message
from condmon.engine.records import SECOND_US, Action
from condmon.engine.settings import Machine

Telling = Literal["raised", "reminder", "ended"]


def message_of(alert: Alert, kind: Telling, step: int, tick: int) -> Message:
    """The message about one alert; its first words carry machine and urgency."""
    word = {
        "raised": alert.urgency.upper(),
        "reminder": f"{alert.urgency.upper()} again",
        "ended": "ended",
    }[kind]
    look = f" Look first: {alert.look_first[0]}" if alert.look_first else ""
    return Message(
        short_id("message", alert.id, kind, step),
        tick * SECOND_US,
        kind,
        step,
        alert.urgency,
        (alert.id,),
        alert.machine,
        f"{alert.machine_name} {word}: {alert.title}",
        f"{alert.what}{look}",
    )


def entry_on(alert: Alert, tick: int, kind: str, text: str) -> Entry:
    """A line of the log about an alert."""
    return Entry(
        short_id("entry", alert.id, alert.revision, tick, text),
        tick * SECOND_US,
        alert.machine,
        kind,
        text,
        {"alert": alert.id, "check": alert.check},
    )


def entry_by(action: Action, machine: str, text: str, alert: Alert | None) -> Entry:
    """A line of the log about what a person did."""
    facts = {"by": action.by, "do": action.do, "alert": alert.id if alert else action.alert}
    if action.entry:
        facts["corrects"] = action.entry
    return Entry(
        short_id("action", action.at_us, action.do, action.by, action.alert, text),
        action.at_us,
        machine,
        "action",
        text,
        facts,
    )


def silence_over(machine: Machine, visit: str, tick: int) -> Entry:
    """A visit that nobody has ended must not keep a machine silent for good."""
    text = f"visit {visit} was not ended: alerts are told again; begin it again if work goes on"
    made = short_id("silence over", machine.id, visit, tick)
    return Entry(made, tick * SECOND_US, machine.id, "alert", text, {"visit": visit})


def known(facts: Facts) -> Facts:
    """Facts with None for what is not known: NaN is no value in JSON."""
    return {name: None if value != value else value for name, value in facts.items()}


def alert_of(saved: dict[str, Any]) -> Alert:
    """An alert of its plain values, as a snapshot has them."""
    return Alert(
        **{**saved, "signals": tuple(saved["signals"]), "look_first": tuple(saved["look_first"])}
    )
