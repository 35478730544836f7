"""One machine's way through the engine: ticks, duty, checks, alert book. Pure."""

from typing import Any

from condmon.engine.aftercare import Aftercare
from condmon.engine.alerts import Book, Out
from condmon.engine.block import Block, Readings
from condmon.engine.checks.base import Check
from condmon.engine.checks.book import checks_of
from condmon.engine.checks.hard_stop import HardStop
from condmon.engine.doubt import Doubt
from condmon.engine.duty import Duty
from condmon.engine.latch import Event, Latch
from condmon.engine.logwords import entry_of
from condmon.engine.minutely import Gather
from condmon.engine.outputs import Entry, Facts
from condmon.engine.records import Action, ModelOn
from condmon.engine.servicebook.book import ServiceBook, Told
from condmon.engine.servicebook.duework import DueWork
from condmon.engine.settings import Machine, Settings
from condmon.engine.ticks import Ticks
from condmon.engine.usage import Usage


class Watch:
    """Carried state of one machine."""

    def __init__(
        self, settings: Settings, machine: Machine, servicebook: ServiceBook | None = None
    ) -> None:
        self.machine = machine
        self.ticks = Ticks(machine)
        self.doubt = Doubt(machine)
        self.duty = Duty(machine)
        self.usage = Usage(machine)
        self.gather = Gather(len(machine.signals))
        self.checks, self.missing = checks_of(settings, machine)
        self._hearing = [c for c in self.checks if type(c).hear is not Check.hear]
        self.latches = [Latch(c.hold_s, c.release_s) for c in self.checks]
        self.book = Book(settings, machine)
        self.servicebook = servicebook or ServiceBook()
        self.due = DueWork(settings, machine, self.servicebook)
        self.after = Aftercare(
            machine,
            self.servicebook,
            self.book,
            list(zip(self.checks, self.latches, strict=True)),
        )
        self.models: dict[str, list[str]] = {}  # kind -> id and content of the model that is on

    def add(self, readings: Readings) -> None:
        """Keep accepted samples until their second is closed."""
        self.ticks.add(readings)

    def close(self, targets: list[int]) -> tuple[int, Out]:
        """Close the seconds before the last target; their number, and what came of it."""
        out: Out = []
        done = 0
        for block in self.ticks.close(targets):
            self._block(block, out)
            done += block.n
        self.book.advance(self.ticks.next_tick - 1, out)
        return done, out

    def _block(self, block: Block, out: Out) -> None:
        out.extend(self.ticks.entries)
        self.ticks.entries = []
        self.doubt.push(block)
        out.extend(self.duty.push(block))
        block.minutes = self.gather.push(
            block.first, block.value, block.age_s, block.duty, blind=block.blind_s > 0
        )
        events: list[tuple[int, int, Check, Event]] = []
        for i, (check, latch) in enumerate(zip(self.checks, self.latches, strict=True)):
            on, stay = check.push(block)
            if check.entries:
                out.extend(check.entries)
                check.entries = []
            events += [
                (block.first + e.row, i, check, e)
                for e in latch.push(block.first, on, stay, blind=block.blind_s > 0)
            ]
        self.after.push(block, out)
        stops = [e.row for _, _, c, e in events if e.kind == "raised" and c.id == HardStop.id]
        for row in self.usage.walk(block, stops):
            counts, tick = self.usage.flat(), block.first + row
            out.extend(self.due.note_day(tick, counts))
            found = self.due.judge(tick, row, counts)
            events += [(tick, len(self.checks), check, e) for check, e in found]
        for tick, _, check, event in sorted(events, key=_order):
            self.book.advance(tick - 1, out)
            self.book.apply(check, event, block, out)

    def hear(self, column: int, at_us: int, text: bytes) -> None:
        """Hand the text of a sample to the checks of its signal; its second is not closed yet."""
        signal = self.machine.signals[column]
        for check in self._hearing:
            if signal in check.signals:
                check.hear(signal, at_us, text)

    def act(self, action: Action, tick: int) -> Out:
        """Do what a person asked for."""
        out: Out = []
        self.book.act(action, tick, out)
        self.after.told(action)
        for check in self.checks:
            if action.machine in {"", self.machine.id}:
                check.told(action)
        return out

    def carry(self, counts: dict[str, int] | None, days: list[list[Any]]) -> None:
        """Go on with counters of before, and with a visit that is going on."""
        if counts is not None:
            self.usage.put(dict(counts))
            self.due.days = days
        self.after.carried()

    def filed(self, told: Told, tick: int) -> Out:
        """Something of this machine was written into the service book."""
        out: Out = []
        self.after.filed(told, tick, self.ticks.empty(tick), out)
        for check, event in self.due.judge(tick, 0, self.usage.flat()):
            self.book.apply(check, event, self.ticks.empty(tick), out)
        return out

    def model_on(self, record: ModelOn) -> str:
        """A fitted model takes effect for the checks that ask for its kind; why not, in words."""
        wanting = [check for check in self.checks if check.model == record.model]
        if not wanting:
            return "no check of this machine asks for such a model"
        reasons = [check.take_model(record.id, record.content) for check in wanting]
        if any(reasons):
            return next(reason for reason in reasons if reason)
        self.models[record.model] = [record.id, record.content]
        self.after.take_model(record.model, record.content)
        return ""

    def learned(self, kind: str) -> tuple[str, Facts]:
        """What the checks say of the model of a kind that is on."""
        said = [check.learned() for check in self.checks if check.model == kind]
        facts = {key: value for one in said for key, value in one.facts.items()}
        return "; ".join(one.text for one in said if one.text), facts

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "models": self.models,
            "ticks": self.ticks.state(),
            "doubt": self.doubt.state(),
            "duty": self.duty.state(),
            "minutes": self.gather.state(),
            "usage": self.usage.state(),
            "due": self.due.state(),
            "book": self.book.state(),
            "after": self.after.state(),
            "checks": {c.key: c.state() for c in self.checks},
            "latches": {c.key: x.state() for c, x in zip(self.checks, self.latches, strict=True)},
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self.ticks.load(state["ticks"])
        self.doubt.load(state["doubt"])
        self.duty.load(state["duty"])
        self.gather.load(state["minutes"])
        self.usage.load(state["usage"])
        self.due.load(state["due"])
        self.book.load(state["book"])
        self.models = state["models"]
        for kind, (made, content) in self.models.items():
            for check in self.checks:
                if check.model == kind:
                    check.take_model(made, content)
            self.after.take_model(kind, content)
        self.after.load(state["after"])
        for check, latch in zip(self.checks, self.latches, strict=True):
            check.load(state["checks"][check.key])
            latch.load(state["latches"][check.key])


def _order(event: tuple[int, int, Check, Event]) -> tuple[int, int]:
    return event[0], event[1]


def put_on(record: ModelOn, watches: list[Watch]) -> Entry:
    """Hand a model to its machine; the log tells what it says, or why it is not used."""
    for watch in watches:
        if watch.machine.id == record.machine:
            if refused := watch.model_on(record):
                return entry_of(record, refused)
            learned, facts = watch.learned(record.model)
            return entry_of(record, "", learned, facts)
    return entry_of(record, "the configuration has no such machine")
