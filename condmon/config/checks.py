"""The [adjust] and [[check]] sections: changes to the shipped checks, and the shop's own."""

import fnmatch
import re
from collections.abc import Mapping, Sequence

from condmon.config import values
from condmon.config.keys import KEYS
from condmon.config.table import Section
from condmon.engine.settings import Adjust, Machine, OwnCheck, Urgency
from condmon.engine.words import nearest, parse_duration

ITS_OWN = frozenset({"condmon-link", "condmon-health"})
"""Checks on condmon itself and on no machine of the shop."""

_WINDOW = re.compile(
    r"\b(?:mean|lowest|highest|slope|increase)\(\s*(\w+)\s*,\s*[\"']([^\"']+)[\"']"
)
_urgency = values.one_of(values.URGENCIES, "urgency")


def adjustments(
    parent: Section, site_wide: Mapping[str, Adjust] | None = None
) -> dict[str, Adjust]:
    """Read [adjust.CHECK] of the site, or [machine.adjust.CHECK] laid over those of the site."""
    found = dict(site_wide or {})
    for name, section in parent.named("adjust", "adjust.CHECK", free=True):
        figures = _shipped().get(name)
        if figures is None:
            section.wrong(f'there is no shipped check "{name}"{nearest(name, _shipped())}')
        elif name in ITS_OWN and site_wide is not None:
            section.wrong(f"this check is about condmon itself, not a machine; it is changed under "
                          f"[adjust.{name}]")  # fmt: skip
        else:
            found[name] = _adjust(section, found.get(name, Adjust()), figures)
            if name in ITS_OWN and not found[name].enabled:
                section.warn("nobody will be told when condmon itself sees nothing or falls short; "
                             "a quiet phone then proves nothing", "enabled")  # fmt: skip
    return found


def parted(
    site_wide: Mapping[str, Adjust],
) -> tuple[dict[str, Adjust], dict[str, Adjust]]:
    """Part the adjustments of the site: those for machines, and those for condmon itself."""
    own = {name: adjust for name, adjust in site_wide.items() if name in ITS_OWN}
    return {name: site_wide[name] for name in site_wide if name not in own}, own


def _adjust(section: Section, base: Adjust, figures: frozenset[str]) -> Adjust:
    wait = values.duration(0, 30 * 86400)
    return Adjust(
        section.take("enabled", values.flag, base.enabled),
        section.take("hold", wait, base.hold_s),
        section.take("release", wait, base.release_s),
        section.take("urgency", _urgency, base.urgency),
        {**base.figures, **_figures(section, figures)},
    )


def own_checks(top: Section, machines: Sequence[Machine]) -> tuple[OwnCheck, ...]:
    """Read every [[check]] and try its condition on every machine it is for."""
    made: list[OwnCheck] = []
    for row in top.each("check", "check"):
        one = _own_check(row)
        if one.id in _shipped():
            row.wrong(f'"{one.id}" is a shipped check; choose another id, or change that one '
                      f"under [adjust.{one.id}]", "id")  # fmt: skip
        if one.id in {other.id for other in made}:
            row.wrong(f'there is another check with the id "{one.id}"; give it its own', "id")
        _try_on(row, one, machines)
        made.append(one)
    return tuple(made)


def _own_check(row: Section) -> OwnCheck:
    wait = values.duration(0, 30 * 86400)
    sentences = values.several(values.prose, 20)
    key = row.need("id", values.name_of("the id of a check"), "", 'id = "air-with-guard-open"')
    patterns = values.several(lambda value: values.text(value, 48))
    default: Urgency = "today"
    return OwnCheck(
        key, row.take("machines", patterns, ("*",)),
        row.need("when", values.prose, "", 'when = "air_flow > 5 and not door_closed"'),
        row.take("hold", wait, 0.0), row.take("release", wait, 0.0),
        row.take("deadband", values.not_negative, 0.0), row.take("urgency", _urgency, default),
        row.take("title", lambda value: values.text(value, 120), key.replace("-", " ")),
        row.take("why", values.prose, ""), row.take("look_first", sentences, ()),
        row.take("caution", values.prose, ""),
    )  # fmt: skip


def _try_on(row: Section, one: OwnCheck, machines: Sequence[Machine]) -> None:
    """Note patterns that fit no machine, and what is wrong with the condition on those that do."""
    from condmon.engine.duty import names
    from condmon.engine.expression import check_expression

    known = [machine.id for machine in machines]
    for pattern in one.machines:
        if known and not any(fnmatch.fnmatchcase(key, pattern) for key in known):
            row.wrong(f'"{pattern}" fits no machine{nearest(pattern, known)}', "machines")
    told: set[str] = set()
    for machine in machines:
        if not one.when or not any(fnmatch.fnmatchcase(machine.id, p) for p in one.machines):
            continue
        kinds = {signal.name: signal.kind for signal in machine.signals}
        for problem in check_expression(one.when, kinds, names(machine)):
            if problem not in told:
                row.wrong(f'on machine "{machine.id}": {problem}', "when")
            told.add(problem)
        _warn_short_windows(row, one.when, machine)


def _warn_short_windows(row: Section, when: str, machine: Machine) -> None:
    every = {signal.name: signal.every_s for signal in machine.signals}
    for name, span in _WINDOW.findall(when):
        seconds, every_s = parse_duration(span), every.get(name)
        if seconds and every_s and seconds < every_s:
            words = (f'the window "{span}" is shorter than the {every_s:g} s between samples of '
                     f'{name} on machine "{machine.id}", so it is mostly empty')  # fmt: skip
            row.warn(words, "when")


def _figures(section: Section, known: frozenset[str]) -> dict[str, float]:
    """Read what is left in the section: figures of the check."""
    found = {}
    for key in section.table:
        if key in KEYS["adjust.CHECK"]:
            continue
        if key not in known:
            offer = nearest(key, [*known, *KEYS["adjust.CHECK"]])
            listed = ", ".join(sorted([*known, *KEYS["adjust.CHECK"]]))
            section.wrong(f"this check has no such figure{offer or '; it has: ' + listed}", key)
            continue
        value = section.take(key, values.number, None)
        if value is not None:
            found[key] = value
    return found


def _shipped() -> Mapping[str, frozenset[str]]:
    from condmon.engine.checks.book import SHIPPED

    return SHIPPED
