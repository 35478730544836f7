"""The service book as a fold: each filed record goes to the part that keeps its kind. Pure.

A part (`part.Part`) keeps one thing: components, tasks, visits, series. To add one: write its
module, put it into `_parts`; its kinds of record must stand in `fields.FIELDS`.
"""

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, NamedTuple

from condmon.engine.ids import short_id
from condmon.engine.outputs import Entry, Facts
from condmon.engine.records import Filed
from condmon.engine.servicebook.components import Components
from condmon.engine.servicebook.fields import Content, Refused, content_of
from condmon.engine.servicebook.life import Counts
from condmon.engine.servicebook.part import Moment, Part
from condmon.engine.servicebook.series import SeriesBook
from condmon.engine.servicebook.tasks import Tasks
from condmon.engine.servicebook.visits import WORK, Visits
from condmon.engine.settings import CONDMON

REFUSED_MAX = 500
LAST_WORDS = {"removed", "retired"}
"""What may still be said of a machine that left the configuration."""


class Told(NamedTuple):
    """What became of a record: its line in the log, and whether it was refused."""

    entry: Entry
    content: Content
    refused: bool


class ServiceBook:
    """Carried state: whatever its parts keep. One book for the whole shop."""

    def __init__(self) -> None:
        self.components = Components()
        self.tasks = Tasks()
        self.visits = Visits()
        self.series = SeriesBook()
        self._parts: dict[str, Part] = {
            "components": self.components, "tasks": self.tasks, "visits": self.visits,
            "series": self.series,
        }  # fmt: skip

    def take(self, filed: Filed, machines: Mapping[str, str], counts: Mapping[str, Counts]) -> Told:
        """Take up a record. What does not fit is refused, told, and changes nothing."""
        content: Content = {}
        try:
            if filed.machine and filed.machine not in machines and filed.what not in LAST_WORDS:
                raise Refused(f'the configuration has no machine "{filed.machine}"')
            content = content_of(filed)
            text = self._part(filed).take(filed, content, Moment(machines, counts, self))
        except Refused as error:
            short = replace(filed, key=filed.key[:70], content=filed.content[:REFUSED_MAX])
            text = f"{filed.what[:70]} was refused: {error}"
            return Told(entry_of(short, text, {}, refused=True), {}, True)
        if filed.what in WORK:
            self.visits.worked(filed.machine, filed.at_us, text.partition(";")[0])
        if content.get("photo"):  # so that the log and its report show it, and the chain covers it
            text += f" [photo {content['photo']}]"
        made = entry_of(filed, text, counts.get(filed.machine, {}), refused=False)
        return Told(made, content, False)

    def concerns(self, machine: str) -> bool:
        """Whether a component or a task counts by this machine."""
        built_in = any(
            c.machine == machine and c.where == "installed" for c in self.components.known.values()
        )
        return built_in or bool(self.tasks.of(machine))

    def _part(self, filed: Filed) -> Part:
        for part in self._parts.values():
            if filed.what in part.whats:
                return part
        raise Refused("this condmon keeps no such thing")

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {name: part.state() for name, part in self._parts.items()}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        for name, part in self._parts.items():
            part.load(state[name])


def entry_of(filed: Filed, text: str, counts: Counts, *, refused: bool) -> Entry:
    """The line of the log: whole enough to build the book up again from the journal alone."""
    facts: Facts = {
        "what": filed.what, "by": filed.by, "key": filed.key, "content": filed.content,
        "filed_for": filed.machine, "counts": json.dumps(counts, sort_keys=True),
        "refused": refused,
    }  # fmt: skip
    made = short_id(
        "service", filed.at_us, filed.machine, filed.what, filed.by, filed.key, filed.content
    )
    return Entry(made, filed.at_us, filed.machine or CONDMON, "service", text, facts)
