"""Components: what is built in where, what lies in store, and the life each has had. Pure.

A component keeps its life wherever it goes: counters of every machine it was in, until it is
renewed; `life_before` is what a unit had had when it came back renewed from the exchange.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from condmon.engine.records import Filed
from condmon.engine.servicebook.fields import Content, Refused
from condmon.engine.servicebook.life import MEASURES, Counts, from_amounts, minus, plus
from condmon.engine.servicebook.part import Moment
from condmon.engine.words import nearest

Where = Literal["store", "installed", "exchange", "scrap"]
WHERE_WORDS: Mapping[str, str] = {
    "store": "in store", "installed": "installed", "exchange": "sent for exchange",
    "scrap": "scrapped",
}  # fmt: skip
COMPONENTS_MAX = 2000
MOVES_KEPT = 50


@dataclass(slots=True)
class Component:
    """One piece of a machine that can be exchanged."""

    key: str
    name: str
    sort: str = ""  # the shop's word: spindle, ball screw, filter ...
    serial: str = ""
    maker: str = ""
    part_of: str = ""  # key of the component it belongs to
    text: str = ""
    photo: str = ""
    where: Where = "store"
    machine: str = ""  # where it is installed, or was last
    place: str = ""
    since_us: int = 0  # of `where`
    life: Counts = field(default_factory=dict)  # until it was last removed
    base: Counts = field(default_factory=dict)  # its machine's counters when it was installed
    life_before: Counts = field(default_factory=dict)
    moves: list[list[Any]] = field(default_factory=list)  # [at_us, words, by]

    def life_now(self, counts: Mapping[str, Mapping[str, int]]) -> Counts:
        """Its life up to this moment; `counts` are the counters of the machines."""
        if self.where != "installed":
            return dict(self.life)
        return plus(self.life, minus(counts.get(self.machine, {}), self.base))


class Components:
    """The tree of components, by key."""

    whats: tuple[str, ...] = ("component", "installed", "removed", "returned")

    def __init__(self) -> None:
        self.known: dict[str, Component] = {}

    def take(self, filed: Filed, content: Content, moment: Moment) -> str:
        """Take up a record; a sentence for the log. Raises Refused."""
        if filed.what == "component":
            return self._describe(filed, content)
        component = self.one(filed.key)
        match filed.what:
            case "installed":
                text = self._install(component, filed, content, moment)
            case "removed":
                text = self._remove(component, filed, content, moment)
            case _:
                text = self._return(component, filed, content)
        component.moves = [*component.moves, [filed.at_us, text, filed.by]][-MOVES_KEPT:]
        return text

    def one(self, key: str) -> Component:
        """A component by its key. Raises Refused."""
        if key not in self.known:
            raise Refused(f'there is no component "{key}"{nearest(key, self.known)}')
        return self.known[key]

    def at(self, machine: str, place: str) -> Component | None:
        """What is installed at a place."""
        for component in self.known.values():
            if (component.where, component.machine, component.place) == (
                "installed", machine, place,
            ):  # fmt: skip
                return component
        return None

    def _describe(self, filed: Filed, content: Content) -> str:
        """A new component comes to the store; one that is known gets other words."""
        old = self.known.get(filed.key)
        if old is None and len(self.known) >= COMPONENTS_MAX:
            raise Refused(f"the book holds {COMPONENTS_MAX} components, which is its bound")
        self._fits_under(filed.key, str(content.get("part_of", "")))
        used = content.get("used", {})
        if unknown := [name for name in used if name not in MEASURES]:
            raise Refused(f'"{unknown[0]}" is no measure{nearest(unknown[0], MEASURES)}')
        if old and used:
            raise Refused("its life is counted; what it had before is told when it is first added")
        words: dict[str, Any] = {
            name: str(value).strip() for name, value in content.items() if name != "used"
        }
        if old:
            for name, value in words.items():
                setattr(old, name, value)
            return f"component {old.name} ({filed.key}) is described anew"
        new = Component(filed.key, **words, since_us=filed.at_us, life=from_amounts(used))
        new.machine = filed.machine
        self.known[filed.key] = new
        serial = f", serial number {new.serial}" if new.serial else ""
        return f"component {new.name} ({new.key}{serial}) comes to the store"

    def _fits_under(self, key: str, above: str) -> None:
        steps = 0
        while above:
            if above == key:
                raise Refused("a component cannot be a part of itself")
            above, steps = self.one(above).part_of, steps + 1
            assert steps <= COMPONENTS_MAX

    def _install(self, component: Component, filed: Filed, content: Content, moment: Moment) -> str:
        if not filed.machine:
            raise Refused("say in which machine it is installed")
        if component.where != "store":
            raise Refused(f"{component.name} is {WHERE_WORDS[component.where]}, not in store")
        place = str(content["place"]).strip()
        there = self.at(filed.machine, place)
        if there:
            raise Refused(f"{there.name} ({there.key}) is installed there; remove it first")
        component.where, component.since_us = "installed", filed.at_us
        component.machine, component.place = filed.machine, place
        component.base = dict(moment.counts_of(filed.machine))
        moment.book.tasks.begin_anew(component, filed.at_us, moment)
        return f"{component.name} ({component.key}) installed: {place}"

    def _remove(self, component: Component, filed: Filed, content: Content, moment: Moment) -> str:
        if component.where != "installed":
            raise Refused(f"{component.name} is {WHERE_WORDS[component.where]}, not installed")
        if filed.machine != component.machine:
            raise Refused(f"{component.name} is installed in {component.machine}")
        component.life, component.base = component.life_now(moment.counts), {}
        component.where, component.since_us = content["to"], filed.at_us
        why = f": {content['text']}" if content.get("text") else ""
        return f"{component.name} ({component.key}) removed, {WHERE_WORDS[component.where]}{why}"

    def _return(self, component: Component, filed: Filed, content: Content) -> str:
        if component.where not in {"exchange", "scrap"}:
            raise Refused(f"{component.name} is {WHERE_WORDS[component.where]}; it was not away")
        component.where, component.since_us = "store", filed.at_us
        component.serial = str(content.get("serial") or component.serial)
        if content.get("renewed"):
            component.life_before = plus(component.life_before, component.life)
            component.life = {}
            return f"{component.name} ({component.key}) came back renewed; its life starts at zero"
        return f"{component.name} ({component.key}) came back; its life goes on"

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {"known": [asdict(component) for component in self.known.values()]}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self.known = {saved["key"]: Component(**saved) for saved in state["known"]}
