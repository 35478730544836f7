"""The [[machine]] sections: machines with their duties, their signals in signal.py."""

import re
from collections.abc import Mapping

from condmon.config import values
from condmon.config.checks import adjustments
from condmon.config.signal import check_fed_by, signal
from condmon.config.table import Section
from condmon.engine.settings import CONDMON, Adjust, Machine, Signal

SHARED_ROLES = {"room_temperature", "air_pressure", "compressor_running", "energy", "power"}
"""Roles of which one sensor can serve several machines: the shop's own, not one machine's."""

_DUTY = re.compile(r"[a-z][a-z0-9_]{0,31}")


def machines(top: Section, site_wide: Mapping[str, Adjust]) -> tuple[Machine, ...]:
    """Make every machine; signals are numbered through all of them."""
    made: list[Machine] = []
    at = 0
    for row in top.each("machine", "machine"):
        one = _machine(row, at, site_wide)
        if one.id in {other.id for other in made}:
            row.wrong(f'there is another machine with the id "{one.id}"; give it its own', "id")
        _warn_shared(row, one, made)
        made.append(one)
        at += len(one.signals)
    if "machine" not in top.table:
        top.wrong("there is no [[machine]]; describe at least one, as the example file does")
    return tuple(made)


def _machine(row: Section, at: int, site_wide: Mapping[str, Adjust]) -> Machine:
    key = row.need("id", values.name_of("the id of a machine"), "", 'id = "mill-1"')
    if key == CONDMON:
        row.wrong(f'"{CONDMON}" is the id of condmon itself; take another', "id")
    found: list[Signal] = []
    sections: list[Section] = []
    for name, section in row.named("signal", "machine.signal.NAME"):
        found.append(signal(section, name, key, at + len(found)))
        sections.append(section)
    for section, one in zip(sections, found, strict=True):
        check_fed_by(section, one, found)
        _same_place(section, one, found)
        _siblings(section, one, found)
    if not found:
        row.warn("this machine has no signals, so nothing is watched; write a "
                 "[machine.signal.NAME] for each topic")  # fmt: skip
    return Machine(key, row.take("name", values.text, key), tuple(found), _duty(row, found),
                   adjustments(row, site_wide))  # fmt: skip


def _duty(row: Section, signals: list[Signal]) -> tuple[tuple[str, str], ...]:
    """Read [machine.duty]: names and conditions, the first true one wins."""
    section = row.within("duty", "machine.duty", free=True)
    kinds = {one.name: one.kind for one in signals}
    found = []
    for name in section.table:
        if not _DUTY.fullmatch(name) or name in {"unknown", "idle"}:
            section.wrong("a duty has a name of a-z, 0-9 and _; unknown and idle have a meaning "
                          "of their own (idle is what remains)", name)  # fmt: skip
        when = section.take(name, values.prose, "")
        if when:
            for problem in _expression_problems(when, kinds):
                section.wrong(problem, name)
            found.append((name, when))
    return tuple(found)


def _expression_problems(when: str, kinds: Mapping[str, str]) -> list[str]:
    from condmon.engine.expression import check_expression

    return check_expression(when, kinds, ())


def _same_place(section: Section, one: Signal, signals: list[Signal]) -> None:
    """Note a signal that reads the very value another one of the machine reads."""
    for other in signals:
        if other is one:
            return
        if one.topic and _source(one) == _source(other):
            section.wrong(f'the signal "{other.name}" reads the same value of the same topic; '
                          "one of the two topics must be another", "topic")  # fmt: skip
            return


def _source(one: Signal) -> tuple[object, ...]:
    place = one.payload
    return (one.topic, place.value, place.each, place.where, place.metric, place.binary,
            one.kind == "moment", one.words_on, one.words_off)  # fmt: skip


def _siblings(section: Section, one: Signal, signals: list[Signal]) -> None:
    """Note siblings of one role that nothing tells apart."""
    for other in signals:
        if other is one:
            return
        alike = (one.role, one.axis, one.place) == (other.role, other.axis, other.place)
        if one.role and alike:
            section.warn(f'the role {one.role} is played by "{other.name}" too; tell them apart '
                         'with axis = "x" or place = "upper"', "role")  # fmt: skip
            return


def _warn_shared(row: Section, one: Machine, others: list[Machine]) -> None:
    """Warn of a topic two machines share, unless it is of a thing the shop has one of."""
    taken = {_source(signal): other.id for other in others for signal in other.signals}
    for signal_ in one.signals:
        other = taken.get(_source(signal_))
        if other and signal_.topic and signal_.role not in SHARED_ROLES:
            path = (*row.path, "signal", signal_.name)
            row.problems.note(path, f'machine "{other}" reads the same value of this topic; fine '
                              "for a thing both share, else one of them is wrong",
                              key="topic", warning=True)  # fmt: skip
