"""The alert book of one machine: from raised to ended, with what people did in between. Pure.

States after IEC 62682 / ISA-18.2 (from memory): active or returned, unacknowledged or acknowledged,
shelved (always with an end), out of service. The id of an alert is made from machine, check and the
second at which its condition began.
"""

from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Any

from condmon.engine import alertwords as words
from condmon.engine.block import Block
from condmon.engine.causes import DURING_A_VISIT, ENDS_BY_ITSELF, FOLLOWS, cause_of
from condmon.engine.checks.base import Check
from condmon.engine.ids import short_id
from condmon.engine.latch import Event
from condmon.engine.outputs import Alert, AlertState, Message, Output
from condmon.engine.records import SECOND_US, Action
from condmon.engine.settings import Machine, Plan, Settings
from condmon.engine.words import span

CLOSED_KEPT = 200
UNSEEN_KEPT = 300
UNSEEN = f"no longer listed, {UNSEEN_KEPT} newer ones ended and nobody looked at this one either"
CHATTER_TIMES, CHATTER_S = 3, 60
"""Three activations within a minute are chatter (ISA-18.2, from memory)."""
CALM_S = 600
Out = list[tuple[int, Output]]
"""(tick, output) in the order in which they arose."""


class Book:
    """Carried state: the alerts that are not over, those that still want a cause, the timers."""

    def __init__(self, settings: Settings, machine: Machine) -> None:
        self.machine, self._plans = machine, settings.plans
        self.open: dict[str, Alert] = {}  # id -> not yet normal
        self.closed: dict[str, Alert] = {}  # id -> over, without a cause so far
        self._active: dict[str, str] = {}  # check key -> id of its active alert
        self._steps: dict[str, int] = {}  # id -> reminders told
        self._out_of_service: set[str] = set()  # check keys
        self._raised: dict[str, list[int]] = {}  # check key -> ticks of its last activations
        self._chatters: dict[str, int] = {}  # check key -> last activation while it chatters
        self.visit = ""  # key of the visit that is going on: alerts are only logged meanwhile
        self.visit_until = 0  # tick at which they are told again, whatever people do
        self.notes: list[list[Any]] = []  # [tick, alert id, title] not yet in a digest

    # what a condition did

    def apply(self, check: Check, event: Event, block: Block, out: Out) -> None:
        """Take up one event of a check's latch."""
        tick = block.first + event.row
        if event.kind == "raised":
            self._raise(check, event, block, out)
            return
        alert = self.open.get(self._active.get(check.key, ""))
        if alert is None:
            return
        match event.kind:
            case "ended":
                self._end(alert, check.key, tick, event.since, out)
            case "again":
                alert = self._change(alert, tick, out, count=alert.count + 1)
                self._entry(
                    out, tick, "alert", f"{alert.title}: came back, {alert.count} times now", alert
                )
            case "unjudged":
                self._change(alert, tick, out, judged=False)
                self._entry(
                    out,
                    tick,
                    "alert",
                    f"{alert.title}: cannot be judged now, a signal is missing",
                    alert,
                )
            case "judged":
                self._change(alert, tick, out, judged=True)

    def _raise(self, check: Check, event: Event, block: Block, out: Out) -> None:
        said, tick = check.say(block, event.row, event.since), block.first + event.row
        began_us = event.since * SECOND_US
        facts = dict(words.known(said.facts))
        cause = cause_of(check.id or check.key, check.urgency, self.open.values())
        chatters = self._chattering(check.key, tick)
        state: AlertState = "active_unacknowledged"
        if check.key in self._out_of_service:
            state = "out_of_service"
        elif cause or chatters > CHATTER_TIMES or self.visit:
            state = "suppressed"
        if self.visit:
            facts["visit"] = self.visit
        if cause:
            facts["follows"] = cause.id
        if chatters >= CHATTER_TIMES:
            facts["chatters"] = True
        alert = Alert(
            id=short_id("alert", self.machine.id, check.key, began_us),
            revision=1,
            at_us=tick * SECOND_US,
            machine=self.machine.id,
            machine_name=self.machine.name,
            check=check.key.partition("/")[0],
            signals=said.signals or tuple(s.name for s in check.signals),
            urgency=check.urgency,
            state=state,
            began_us=began_us,
            raised_us=tick * SECOND_US,
            ended_us=None,
            count=1,
            title=said.title or check.title,
            what=said.what,
            why=check.why,
            look_first=check.look_first,
            if_nobody=said.if_nobody,
            caution=check.caution,
            facts=facts,
        )
        self.open[alert.id], self._active[check.key] = alert, alert.id
        out.append((tick, alert))
        meanwhile = " during the visit, told to nobody" if self.visit else ""
        self._entry(out, tick, "alert", f"raised{meanwhile}: {alert.title}. {alert.what}", alert)
        if chatters == CHATTER_TIMES:
            text = f"{alert.title}: it chatters; from now on it is only counted until it is calm"
            self._entry(out, tick, "alert", text, alert)
        if cause and state == "suppressed":
            self._list_under(cause, alert, tick, out)
        if state != "active_unacknowledged":
            return
        self._tell(alert, tick, out)

    def _chattering(self, key: str, tick: int) -> int:
        """How many activations within a minute this one makes; more than CHATTER_TIMES later on."""
        times = [t for t in self._raised.get(key, []) if tick - t < CHATTER_S] + [tick]
        self._raised[key] = times[-CHATTER_TIMES:]
        goes_on = tick - self._chatters.get(key, -CALM_S) < CALM_S
        if not goes_on and len(times) < CHATTER_TIMES:
            self._chatters.pop(key, None)
            return len(times)
        self._chatters[key] = tick
        return CHATTER_TIMES + goes_on

    def _list_under(self, cause: Alert, alert: Alert, tick: int, out: Out) -> None:
        """A follower is told of in its cause's own facts and in the log."""
        listed = str(cause.facts.get("followers", ""))
        names = f"{listed}, {alert.title}" if listed else alert.title
        self._change(cause, tick, out, facts={**cause.facts, "followers": names})
        self._entry(out, tick, "alert", f"{alert.title}: follows from {cause.title}", alert)

    def speak(self, tick: int, out: Out) -> None:
        """The visit is over: what is still there speaks."""
        visit, self.visit = self.visit, ""
        self.speak_again("visit", visit, tick, out)

    def speak_again(self, fact: str, of: str, tick: int, out: Out) -> None:
        """What was kept quiet because of a cause or a visit, and outlasts it, speaks for itself."""
        for alert in list(self.open.values()):
            if alert.state == "suppressed" and alert.facts.get(fact) == of:
                speaks = self._change(alert, tick, out, state="active_unacknowledged")
                self._entry(out, tick, "alert", f"still there: {alert.title}", speaks)
                self._skip_reminders(speaks, tick)
                self._tell(speaks, tick, out)

    def _tell(self, alert: Alert, tick: int, out: Out) -> None:
        if alert.urgency == "note":
            self.notes.append([tick, alert.id, alert.title])
        else:
            out.append((tick, self._message(alert, "raised", 0, tick)))

    def _end(self, alert: Alert, key: str, tick: int, since: int, out: Out) -> None:
        ended_us = since * SECOND_US
        del self._active[key]
        cause = alert.cause or ENDS_BY_ITSELF.get(alert.check, "")
        if alert.state == "suppressed" and alert.facts.get("visit"):
            cause = cause or DURING_A_VISIT
        unseen = alert.state == "active_unacknowledged" and alert.check not in ENDS_BY_ITSELF
        state: AlertState = "returned_unacknowledged" if unseen else "normal"
        quiet = alert.state in {"shelved", "suppressed"}
        alert = self._change(alert, tick, out, ended_us=ended_us, state=state, judged=True,
                             cause=cause)  # fmt: skip
        lasted = span((ended_us - alert.began_us) / SECOND_US)
        self._entry(out, tick, "alert", f"ended after {lasted}: {alert.title}", alert)
        if alert.urgency != "note" and not quiet and self._plan(alert).tell_end:
            out.append((tick, self._message(alert, "ended", 0, tick)))
        if state == "normal":
            self._close(alert)
        else:
            self._unlist(tick, out)
        if alert.check in FOLLOWS:
            self.speak_again("follows", alert.id, tick, out)

    def _unlist(self, tick: int, out: Out) -> None:
        """Where nobody looks for years, the oldest that are over leave the list."""
        unseen = [a for a in self.open.values() if a.state == "returned_unacknowledged"]
        for oldest in unseen[:-UNSEEN_KEPT]:
            alert = self._change(oldest, tick, out, state="normal")
            self._entry(out, tick, "alert", f"{UNSEEN}: {alert.title}", alert)
            self._close(alert)

    # time

    def advance(self, tick: int, out: Out) -> None:
        """Do what falls due up to a tick: reminders, ends of shelving, in their order."""
        if self.visit and self.visit_until <= tick:
            self._advance(self.visit_until, out)
            out.append(
                (self.visit_until, words.silence_over(self.machine, self.visit, self.visit_until))
            )
            self.speak(self.visit_until, out)
        self._advance(tick, out)

    def _advance(self, tick: int, out: Out) -> None:
        while True:
            due = [
                (at, alert.id, act)
                for alert in map(self.open.__getitem__, self._active.values())
                for at, act in [self._next_due(alert)]
                if act and at <= tick
            ]
            if not due:
                return
            at, alert_id, act = min(due, key=lambda row: (row[0], row[1]))
            assert act is not None
            act(self.open[alert_id], at, out)

    def _next_due(self, alert: Alert) -> tuple[int, Callable[[Alert, int, Out], None] | None]:
        if alert.state == "shelved" and alert.shelved_until_us is not None:
            return -(-alert.shelved_until_us // SECOND_US), self._unshelve
        step, plan = self._steps.get(alert.id, 0), self._plan(alert)
        if alert.state == "active_unacknowledged" and step < len(plan.remind_after_s):
            return alert.raised_us // SECOND_US + round(plan.remind_after_s[step]), self._remind
        return 0, None

    def _remind(self, alert: Alert, tick: int, out: Out) -> None:
        step = self._steps[alert.id] = self._steps.get(alert.id, 0) + 1
        if not self.visit:
            out.append((tick, self._message(alert, "reminder", step, tick)))
        self._entry(out, tick, "alert", f"reminder {step}: {alert.title}", alert)

    def _unshelve(self, alert: Alert, tick: int, out: Out) -> None:
        alert = self._change(alert, tick, out, state="active_unacknowledged", shelved_until_us=None)
        self._entry(
            out, tick, "alert", f"shelving is over and it is still there: {alert.title}", alert
        )
        self._skip_reminders(alert, tick)
        if alert.urgency != "note":
            step = 100 + alert.revision  # a message of its own beside the planned reminders
            out.append((tick, self._message(alert, "reminder", step, tick)))

    def _skip_reminders(self, alert: Alert, tick: int) -> None:
        """Reminders that would have been told meanwhile are not made up for."""
        after = self._plan(alert).remind_after_s
        past = sum(alert.raised_us // SECOND_US + round(s) <= tick for s in after)
        self._steps[alert.id] = max(self._steps.get(alert.id, 0), past)

    # people

    def act(self, action: Action, tick: int, out: Out) -> None:
        """Do what a person asked for; what cannot be done is told in the log."""
        alert = self.open.get(action.alert)
        match action.do, alert:
            case "note", _:
                self._said(out, action, action.text, alert)
            case "correct", _:
                self._said(out, action, f"correction: {action.text}", alert)
            case "cause", _:
                self._cause(action, tick, out)
            case (("out_of_service" | "return_to_service"), _):
                self._service(action, tick, out)
            case "acknowledge", Alert(state="active_unacknowledged"):
                self._acknowledge(alert, action, tick, out, "active_acknowledged")
            case "acknowledge", Alert(state="returned_unacknowledged"):
                self._acknowledge(alert, action, tick, out, "normal")
            case "unacknowledge", Alert(state="active_acknowledged"):
                self._take_back(alert, action, tick, out, "active_unacknowledged")
            case "unacknowledge", None if action.alert in self.closed:
                self._take_back(
                    self.closed[action.alert], action, tick, out, "returned_unacknowledged"
                )
            case "shelve", Alert(state="active_unacknowledged" | "active_acknowledged") if (
                action.until_us > action.at_us
            ):
                alert = self._change(
                    alert, tick, out, state="shelved", shelved_until_us=action.until_us
                )
                left = span((action.until_us - action.at_us) / SECOND_US)
                self._said(out, action, f"shelved for {left}: {alert.title}", alert)
            case "unshelve", Alert(state="shelved"):
                self._said(out, action, f"shelving ended by hand: {alert.title}", alert)
                self._unshelve(alert, tick, out)
            case _:
                state = alert.state.replace("_", " ") if alert else "not open"
                self._said(out, action, f"{action.do} was refused: the alert is {state}", alert)

    def _acknowledge(
        self, alert: Alert, action: Action, tick: int, out: Out, state: AlertState
    ) -> None:
        alert = self._change(
            alert, tick, out, state=state, acknowledged_by=action.by, acknowledged_us=action.at_us
        )
        self._said(out, action, f"acknowledged: {alert.title}", alert)
        if state == "normal":
            self._close(alert)

    def _take_back(
        self, alert: Alert, action: Action, tick: int, out: Out, state: AlertState
    ) -> None:
        """Undo an acknowledgement; one that nobody gave cannot be taken back."""
        if alert.acknowledged_us is None:
            self._said(out, action, "unacknowledge was refused: nobody had seen it", alert)
            return
        self.closed.pop(alert.id, None)
        alert = self._change(
            alert, tick, out, state=state, acknowledged_by="", acknowledged_us=None
        )
        self._skip_reminders(alert, tick)
        self._said(out, action, f"acknowledgement taken back: {alert.title}", alert)

    def _cause(self, action: Action, tick: int, out: Out) -> None:
        alert = self.open.get(action.alert) or self.closed.pop(action.alert, None)
        if alert is None:
            self._said(out, action, "cause was refused: no such alert is waiting for one", None)
            return
        self._change(alert, tick, out, cause=action.text, keep=alert.id in self.open)
        self._said(out, action, f"cause of {alert.title}: {action.text}", alert)

    def _service(self, action: Action, tick: int, out: Out) -> None:
        alert = self.open.get(self._active.get(action.check, ""))
        if action.do == "out_of_service":
            self._out_of_service.add(action.check)
            if alert and alert.state not in {"out_of_service", "normal"}:
                self._change(alert, tick, out, state="out_of_service")
        else:
            self._out_of_service.discard(action.check)
            if alert and alert.state == "out_of_service":
                alert = self._change(alert, tick, out, state="active_unacknowledged")
                self._skip_reminders(alert, tick)
                if alert.urgency != "note":
                    out.append((tick, self._message(alert, "raised", 0, tick)))
        word = "taken out of service" if action.do == "out_of_service" else "returned to service"
        self._said(out, action, f"check {action.check} {word}. {action.text}".strip(), alert)

    # making outputs

    def _change(
        self, alert: Alert, tick: int, out: Out, *, keep: bool = True, **changes: Any
    ) -> Alert:
        alert = replace(alert, revision=alert.revision + 1, at_us=tick * SECOND_US, **changes)
        if keep:
            self.open[alert.id] = alert
        out.append((tick, alert))
        return alert

    def _close(self, alert: Alert) -> None:
        del self.open[alert.id]
        self._steps.pop(alert.id, None)
        if not alert.cause:
            self.closed[alert.id] = alert
            if len(self.closed) > CLOSED_KEPT:
                del self.closed[next(iter(self.closed))]

    def _plan(self, alert: Alert) -> Plan:
        return self._plans.get(alert.urgency, Plan())

    def _message(self, alert: Alert, kind: words.Telling, step: int, tick: int) -> Message:
        return words.message_of(alert, kind, step, tick)

    def _entry(self, out: Out, tick: int, kind: str, text: str, alert: Alert) -> None:
        out.append((tick, words.entry_on(alert, tick, kind, text)))

    def _said(self, out: Out, action: Action, text: str, alert: Alert | None) -> None:
        entry = words.entry_by(action, self.machine.id, text, alert)
        out.append((action.at_us // SECOND_US, entry))

    def standing(self) -> tuple[set[str], dict[str, str]]:
        """Keys of the checks that are out of service; key -> id of the alert that lasts."""
        return set(self._out_of_service), dict(self._active)

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "open": [asdict(a) for a in self.open.values()],
            "closed": [asdict(a) for a in self.closed.values()],
            "active": self._active,
            "steps": self._steps,
            "notes": self.notes,
            "visit": [self.visit, self.visit_until],
            "out_of_service": sorted(self._out_of_service),
            "chatter": [self._raised, self._chatters],
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self.open = {a["id"]: words.alert_of(a) for a in state["open"]}
        self.closed = {a["id"]: words.alert_of(a) for a in state["closed"]}
        self._active, self._steps, self.notes = state["active"], state["steps"], state["notes"]
        self._out_of_service = set(state["out_of_service"])
        self.visit, self.visit_until = state["visit"]
        self._raised, self._chatters = state["chatter"]
