"""Series of measurements and calibrations: values, charts, steps that nobody answered. Pure.

A calibration that a machine sends makes its own series; others are added by people. A value that
steps beyond the scatter asks whether that was expected; the answer "yes" begins a new phase, in
which older values count no more.
"""

from dataclasses import asdict, dataclass, field
from typing import Any

from condmon.engine.ids import short_id
from condmon.engine.records import Filed
from condmon.engine.servicebook.fields import Content, Refused
from condmon.engine.servicebook.part import Moment
from condmon.engine.units import convert, find
from condmon.engine.words import nearest, number, shown
from condmon.trade.lengths import length_um, said_um
from condmon.trade.series import Chart, Step, beyond, chart_of, steps

SERIES_MAX, VALUES_MAX = 300, 500
WHEN = ("", "before", "after")


@dataclass(slots=True)
class Value:
    """One measurement."""

    at_us: int
    value: float
    by: str  # empty: the machine sent it
    when: str = ""  # before or after the work of a visit
    visit: str = ""
    text: str = ""
    photo: str = ""


@dataclass(slots=True)
class Series:
    """Values of one thing over time, in one unit."""

    key: str
    machine: str
    title: str
    unit: str = "um"
    signal: str = ""
    nominal: float = 0.0
    tolerance: float | None = None
    target: float | None = None
    sigma: float | None = None
    resolution: float = 0.0
    least: float = 0.0  # a smaller step is none
    values: list[Value] = field(default_factory=list)
    begins: list[int] = field(default_factory=list)  # instants at which a phase begins
    answers: list[list[Any]] = field(default_factory=list)  # [at_us of the step, yes, by, text]

    def chart(self) -> Chart:
        """Its control charts."""
        begins = [
            next((i for i, v in enumerate(self.values) if v.at_us >= at_us), 0)
            for at_us in self.begins
        ]
        return chart_of(
            [v.value for v in self.values],
            begins,
            target=self.target,
            sigma=self.sigma,
            resolution=self.resolution,
        )

    def open_steps(self) -> list[Step]:
        """Steps that nobody has answered, oldest first."""
        answered = {answer[0] for answer in self.answers}
        found = steps(self.chart(), self.least)
        return [step for step in found if self.values[step.row].at_us not in answered]

    def said(self, value: float) -> str:
        """A value with its unit; a small length in tenths as well."""
        if self.unit == "um":
            return said_um(value)
        return f"{number(value, 4)}{shown(self.unit)}"

    def out_of_tolerance(self) -> bool:
        """Whether the newest value lies beyond the tolerance."""
        if self.tolerance is None or not self.values:
            return False
        return beyond(self.values[-1].value, self.nominal, self.tolerance)


class SeriesBook:
    """All series by key."""

    whats: tuple[str, ...] = ("series", "measured", "expected")

    def __init__(self) -> None:
        self.known: dict[str, Series] = {}

    def of(self, machine: str) -> list[Series]:
        """The series of a machine, in the order in which they were added."""
        return [s for s in self.known.values() if s.machine == machine]

    def of_signal(self, machine: str, signal: str) -> Series | None:
        """The series that a machine's own calibrations go to."""
        return next((s for s in self.of(machine) if s.signal == signal), None)

    def take(self, filed: Filed, content: Content, moment: Moment) -> str:
        """Take up a record; a sentence for the log. Raises Refused."""
        if filed.what == "series":
            return self._describe(filed, content)
        series = self.one(filed.key, filed.machine)
        if filed.what == "measured":
            return self._measured(series, filed, content, moment)
        return self._answered(series, filed, content)

    def one(self, key: str, machine: str) -> Series:
        """A series of a machine by its key. Raises Refused."""
        if key not in self.known:
            raise Refused(f'there is no series "{key}"{nearest(key, self.known)}')
        if self.known[key].machine != machine:
            raise Refused(f"series {key} belongs to {self.known[key].machine}")
        return self.known[key]

    def _describe(self, filed: Filed, content: Content) -> str:
        old = self.known.get(filed.key)
        if old is None and len(self.known) >= SERIES_MAX:
            raise Refused(f"the book holds {SERIES_MAX} series, which is its bound")
        if old and old.machine != filed.machine:
            raise Refused(f"series {filed.key} belongs to {old.machine}")
        words = dict(content)
        words["unit"] = unit_of(str(content.get("unit", old.unit if old else "um")))
        if old and old.values and words["unit"] != old.unit:
            raise Refused(f"its values are in {old.unit}; another unit is another series")
        new = Series(filed.key, filed.machine, **words)
        if old:
            new.values, new.begins, new.answers = old.values, old.begins, old.answers
            new.signal = new.signal or old.signal
        self.known[filed.key] = new
        return f"series {new.title} ({new.key}) is {'changed' if old else 'added'}"

    def _measured(self, series: Series, filed: Filed, content: Content, moment: Moment) -> str:
        visit = str(content.get("visit", ""))
        if visit and visit not in moment.book.visits.known:
            raise Refused(f'there is no visit "{visit}"')
        value = in_unit(float(content["value"]), str(content.get("unit", "")), series.unit)
        words = {name: content.get(name, "") for name in ("when", "visit", "text", "photo")}
        row = Value(filed.at_us, value, filed.by, **words)
        series.values = [*series.values, row][-VALUES_MAX:]
        when = f" {row.when} the work" if row.when else ""
        text = f"{series.title}{when}: {series.said(value)}"
        if series.out_of_tolerance():
            text += f", beyond its tolerance of {series.said(series.tolerance or 0.0)}"
        return text + self._asked(series, moment)

    def _asked(self, series: Series, moment: Moment) -> str:
        """The question, where the newest value is a step."""
        step = next((s for s in series.open_steps() if s.row == len(series.values) - 1), None)
        if step is None:
            return ""
        since = series.values[step.row - 1].at_us if step.row else 0
        work = moment.book.visits.work_since(series.machine, since)
        after = f', the first since "{work}"' if work else ""
        return f": a step of {series.said(step.size)}{after}. Was that expected?"

    def _answered(self, series: Series, filed: Filed, content: Content) -> str:
        waiting = series.open_steps()
        if not waiting:
            raise Refused(f"{series.title} has no step that waits for an answer")
        step = waiting[-1]
        at_us = series.values[step.row].at_us
        for one in waiting:  # what came before the newest step is answered with it
            row_us = series.values[one.row].at_us
            series.answers.append([row_us, content["yes"], filed.by, content.get("text", "")])
        why = f": {content['text']}" if content.get("text") else ""
        if content["yes"]:
            series.begins.append(at_us)
            return f"{series.title}: step of {series.said(step.size)} was expected; new base{why}"
        return f"{series.title}: step of {series.said(step.size)} was not expected{why}"

    def renew(self, machine: str, at_us: int) -> None:
        """A new baseline: later values are not joined to earlier ones."""
        for series in self.of(machine):
            series.begins.append(at_us)

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {"known": [asdict(series) for series in self.known.values()]}

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        self.known = {
            saved["key"]: Series(**{**saved, "values": [Value(**v) for v in saved["values"]]})
            for saved in state["known"]
        }


def unit_of(text: str) -> str:
    """The unit a series is kept in: lengths of the shop in um. Raises Refused."""
    if length_um(1.0, text) is not None:
        return "um"
    found = find(text)
    if found is None:
        raise Refused(f'"{text}" is no unit; examples: um, mm, tenths, thou, bar, kN, Cel, %')
    return found


def in_unit(value: float, text: str, unit: str) -> float:
    """A value as written, in the unit of its series. Raises Refused."""
    if not text:
        return value
    length = length_um(value, text)
    if length is not None and unit == "um":
        return length
    found = find(text, unit)
    turned = None if found is None else convert(value, found, unit)
    if turned is None:
        raise Refused(f'a value in "{text}" does not go into a series in {unit}')
    return turned


def key_of_signal(machine: str, signal: str) -> str:
    """The key of the series of a machine's own calibrations."""
    bare = f"{machine}.{signal}".lower()
    plain = "".join(c if c.isascii() and (c.isalnum() or c in "._-") else "-" for c in bare)
    return plain if len(plain) <= 64 else f"{plain[:47]}-{short_id(bare)}"
