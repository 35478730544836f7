"""One [machine.signal.NAME] section: what its role implies, with what the shop says on top."""

import difflib
import keyword
import re
from dataclasses import replace
from typing import Any, get_args

from condmon.config import values
from condmon.config.payload import fits, payload, topic
from condmon.config.table import Section
from condmon.engine import condition
from condmon.engine.roles import ROLES, Role
from condmon.engine.settings import Kind, Signal
from condmon.engine.units import UNITS, convert
from condmon.engine.words import nearest

KINDS: tuple[Kind, ...] = get_args(Kind)
PLAIN = Role("measure", "1", "", "no role: nothing is implied", stale_after_s=600.0)
"""What holds for a signal without a role: silent for ten minutes is silent, as for any measure."""
CONDITION = Role(
    "state", "1", "true: the control reports a warning or a fault", "",
    words_on=condition.ON, words_off=condition.OFF,
)  # fmt: skip
"""What holds for the condition words of a control, which play no role."""

_ON, _OFF = ROLES["power"].words_on, ROLES["power"].words_off
_NAME = re.compile(r"[a-z][a-z0-9_]{0,47}")
_STRICT = {"temperature", "pressure", "frequency", "time"}
"""Quantities a role cannot do without; levels may come in litres, loads in amperes."""


def signal(section: Section, name: str, machine: str, index: int) -> Signal:
    """Make one signal of a machine."""
    if not _NAME.fullmatch(name) or keyword.iskeyword(name) or name == "duty":
        section.wrong("a signal's name stands in conditions: take a-z, 0-9 and _, a letter first, "
                      "at most 48, and no word of the condition language")  # fmt: skip
    role_name = section.take("role", values.one_of(ROLES, "role"), None)
    role_name = role_name or _meant(section.table.get("role"))
    role = ROLES[role_name] if role_name else PLAIN
    if section.table.get("form") == "condition" and not role_name:
        role = CONDITION
    kind = section.take("kind", values.one_of(KINDS, "kind"), role.kind)
    unit = _unit(section, role, role_name, kind)
    role = _in_unit(section, role, unit)
    on, off = _words(section, role, kind)
    made = Signal(
        index, machine, name,
        topic(section), kind, role_name, unit, payload(section),
        range=section.take("range", values.span, role.range),
        step_max=section.take("step_max", values.positive, role.step_max),
        stale_after_s=section.take("stale_after", _stale_after, _stale_default(role, kind)),
        debounce_s=section.take("debounce", values.duration(0, 60), role.debounce_s),
        words_on=on, words_off=off,
        width_bits=section.take("width", values.whole(8, 64), None),
        every_s=section.take("every", values.duration(0.001), None),
        trip=section.take("trip", values.number, None),
        setpoint=section.take("setpoint", values.number, None),
        tolerance=section.take("tolerance", values.positive, None),
        fed_by=section.take("fed_by", lambda value: values.text(value, 48), None),
        axis=section.take("axis", values.name_of("the name of an axis"), None),
        place=section.take("place", lambda value: values.text(value, 48), None),
        title=section.take("title", lambda value: values.text(value, 80), ""),
    )  # fmt: skip
    fits(section, made)
    _fits_kind(section, made)
    _fits_figures(section, made)
    return made


def check_fed_by(section: Section, one: Signal, signals: list[Signal]) -> None:
    """Note a feeding signal that is none: it must be another state of the same machine."""
    if one.fed_by is None:
        return
    states = [other.name for other in signals if other.kind == "state" and other is not one]
    if one.fed_by not in states:
        known = f"; states of this machine: {', '.join(states)}" if states else ""
        section.wrong(f'"{one.fed_by}" is no state signal of this machine'
                      f"{nearest(one.fed_by, states) or known}", "fed_by")  # fmt: skip


def _meant(given: object) -> str | None:
    """Give the role that was meant, so that one slip does not bring a tail of others."""
    close = difflib.get_close_matches(given, ROLES, 1, 0.6) if isinstance(given, str) else []
    return close[0] if close else None


def _unit(section: Section, role: Role, role_name: str | None, kind: Kind) -> str:
    if "role" not in section.table and kind in {"measure", "calibration", "trace"}:
        return section.need("unit", values.unit, "1",
                            'unit = "Cel" (or give it a role)')  # fmt: skip
    unit = section.take("unit", values.unit, role.unit)
    mine, wanted = UNITS.get(unit), UNITS.get(role.unit)
    if mine and wanted and mine.quantity != wanted.quantity and wanted.quantity in _STRICT:
        section.wrong(f'"{unit}" is a unit of {mine.quantity}, the role {role_name} is a '
                      f'{wanted.quantity} (such as "{role.unit}")', "unit")  # fmt: skip
        return role.unit
    return unit


def _in_unit(section: Section, role: Role, unit: str) -> Role:
    """Bring a role's figures into the signal's unit; where that cannot be, nothing is implied."""
    if unit == role.unit or role.range is None:
        return role
    low, high = (convert(value, role.unit, unit) for value in role.range)
    if low is None or high is None:
        if "range" not in section.table:
            section.warn(f'nothing is known of what is plausible in "{unit}"; give a range', "unit")
        return replace(role, range=None, step_max=None)
    step, zero = convert(role.step_max or 0.0, role.unit, unit), convert(0.0, role.unit, unit)
    assert step is not None and zero is not None, "the ends of the range went through"  # noqa: PT018
    return replace(role, range=(low, high), step_max=step - zero if role.step_max else None)


def _stale_after(value: Any) -> float | None:
    return None if value == "never" else values.duration(1)(value)


def _stale_default(role: Role, kind: Kind) -> float | None:
    return role.stale_after_s if kind == "measure" else None


def _words(section: Section, role: Role, kind: Kind) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Give the words of a state: the role's, or the shop's in their place, lower case."""
    if kind != "state":
        on, off = role.words_on, role.words_off
    else:
        on, off = role.words_on or _ON, role.words_off or _OFF
    if "words" not in section.table:
        return on, off
    words = section.within("words", "machine.signal.NAME.words")
    read = values.several(_word)
    on, off = words.take("on", read, on), words.take("off", read, off)
    both = sorted(set(on) & set(off))
    if both:
        words.wrong(f'"{both[0]}" cannot mean both; give words for on and for off')
    return on, off


def _word(value: Any) -> str:
    if isinstance(value, int) and not isinstance(value, bool):
        value = str(value)
    return values.text(value, 80).casefold()


def _fits_kind(section: Section, one: Signal) -> None:
    """Note keys that a signal of this kind has no use for."""
    numbers: tuple[Kind, ...] = ("measure", "calibration")
    fits: dict[str, tuple[Kind, ...]] = {
        "words": ("state", "moment"), "debounce": ("state",), "width": ("counter",),
        "trip": numbers, "setpoint": numbers, "tolerance": numbers,
        "step_max": numbers, "range": (*numbers, "counter", "trace"),
    }  # fmt: skip
    for key, kinds in fits.items():
        if key in section.table and one.kind not in kinds:
            section.wrong(f"a {one.kind} has no use for it; it is for: {', '.join(kinds)}", key)


def _fits_figures(section: Section, one: Signal) -> None:
    """Note figures that contradict each other; warn of those that only look odd."""
    if one.range:
        low, high = one.range
        for key, value in (("trip", one.trip), ("setpoint", one.setpoint)):
            if value is not None and not low <= value <= high:
                section.wrong(f"{value:g} is outside the plausible range {low:g} to {high:g}, so "
                              "it could never be seen; correct it or the range", key)  # fmt: skip
    if one.trip is not None and one.setpoint is not None:
        if one.trip == one.setpoint:
            section.warn("the trip is exactly the set point: the machine would stop itself in "
                         "normal running; one of the two is probably wrong", "trip")  # fmt: skip
        elif one.tolerance and abs(one.trip - one.setpoint) <= one.tolerance:
            section.warn("the trip lies within the tolerance of the set point", "trip")
    if one.stale_after_s and one.every_s and one.stale_after_s < one.every_s:
        section.warn(f"it comes every {one.every_s:g} s and counts as silent after "
                     f"{one.stale_after_s:g} s already; make stale_after longer",
                     "stale_after")  # fmt: skip
