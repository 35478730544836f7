"""What if: checks with other figures, over time that was recorded. Reads the store only."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from condmon.config.values import URGENCIES
from condmon.engine.checks.book import SHIPPED
from condmon.engine.records import SECOND_US, Batch, ModelOn
from condmon.engine.settings import Adjust, Machine, OwnCheck, Settings
from condmon.engine.words import nearest, parse_duration
from condmon.errors import UsageError
from condmon.replaying.compare import Said
from condmon.replaying.days import Run
from condmon.replaying.stored import stored
from condmon.replaying.told import newest
from condmon.spans import Span

KEYS = ("enabled", "hold", "release", "urgency")
OWN_KEYS = ("enabled", "hold", "release", "urgency", "deadband")
HOLD_MAX_S = 30 * 86_400.0
Progress = Callable[[float, int], None]
"""Takes the part done, 0 to 1, and the instant reached."""


def changed(settings: Settings, wishes: Sequence[str], machine: str | None = None) -> Settings:
    """Settings with each `CHECK.KEY=VALUE` done, on one machine or on all. Raises UsageError."""
    for wish in wishes:
        head, equals, value = wish.partition("=")
        check, dot, key = head.strip().partition(".")
        if not equals or not dot:
            raise UsageError(
                f'{wish!r}: write CHECK.KEY=VALUE, such as air-while-off.hold="20 min"'
            )
        settings = _one(settings, check, key, value.strip().strip("\"'"), machine)
    return settings


def _one(settings: Settings, check: str, key: str, value: str, machine: str | None) -> Settings:
    own = next((one for one in settings.checks if one.id == check), None)
    if own is not None:
        return _own(settings, own, key, value, machine)
    figures = SHIPPED.get(check)
    if figures is None:
        ids = [*SHIPPED, *(one.id for one in settings.checks)]
        raise UsageError(f'there is no check "{check}"{nearest(check, ids)}')
    if key not in KEYS and key not in figures:
        known = [*KEYS, *sorted(figures)]
        raise UsageError(f"{check} has no {key}{nearest(key, known)}; it has {', '.join(known)}")
    machines = tuple(
        replace(one, adjust={**one.adjust, check: _adjusted(one, check, key, value)})
        if machine in {None, one.id}
        else one
        for one in settings.machines
    )
    return replace(settings, machines=machines)


def _adjusted(machine: Machine, check: str, key: str, value: str) -> Adjust:
    before = machine.adjust.get(check, Adjust())
    read = _read(check, key, value)
    if key in {"hold", "release"}:
        return replace(before, **{f"{key}_s": read})
    if key in KEYS:
        return replace(before, **{key: read})
    return replace(before, figures={**before.figures, key: read})


def _own(settings: Settings, own: OwnCheck, key: str, value: str, machine: str | None) -> Settings:
    if key not in OWN_KEYS:
        raise UsageError(f"{own.id} has no {key}{nearest(key, OWN_KEYS)}; a check of the shop's "
                         f"own has {', '.join(OWN_KEYS)}")  # fmt: skip
    ids = [one.id for one in settings.machines]
    its = [one for one in ids if any(fnmatchcase(one, pattern) for pattern in own.machines)]
    rest = tuple(one for one in its if machine not in {None, one})
    read = _read(own.id, key, value)
    new: list[OwnCheck] = [replace(own, machines=rest)] if rest else []
    if key != "enabled" or read:
        name = f"{key}_s" if key in {"hold", "release"} else key
        told = tuple(one for one in its if one not in rest)
        more: dict[str, Any] = {} if key == "enabled" else {name: read}
        new.append(replace(own, machines=told, **more))
    checks = tuple(n for one in settings.checks for n in (new if one is own else [one]))
    return replace(settings, checks=checks)


def _read(check: str, key: str, value: str) -> Any:
    wrong = f"{check}.{key}={value}: "
    if key == "enabled":
        if value not in {"true", "false"}:
            raise UsageError(f"{wrong}give true or false")
        return value == "true"
    if key == "urgency":
        if value not in URGENCIES:
            raise UsageError(f"{wrong}give one of {', '.join(URGENCIES)}")
        return value
    if key in {"hold", "release"}:
        seconds = parse_duration(value)
        if seconds is None or not 0 <= seconds <= HOLD_MAX_S:
            raise UsageError(f'{wrong}give a time such as "90 s" or "20 min"')
        return seconds
    try:
        number = float(value)
    except ValueError:
        number = float("nan")
    if number != number or abs(number) == float("inf"):
        raise UsageError(f"{wrong}give a number")
    return number


def weighed(
    folder: Path, sides: Sequence[Settings], span: Span, models: Iterable[ModelOn],
    progress: Progress, machine: str | None = None,
) -> list[Said]:  # fmt: skip
    """What each of the settings would have said over a span of what was recorded.

    The store is read once where all have the same signals. `models` are put on where the span
    begins. Raises StoreError, DamagedError.
    """
    first = sides[0]
    if any(side.signals != first.signals for side in sides):
        half: Progress = lambda part, at_us: progress(part / len(sides), at_us)  # noqa: E731
        return [
            said for side in sides for said in weighed(folder, [side], span, models, half, machine)
        ]
    runs = [Run(side, machine) for side in sides]
    from_us = 0
    for batch in _with_models(stored(folder, first, span), list(models)):
        for run in runs:
            run.take(batch)
        at_us = max(map(newest, batch), default=0)
        from_us = from_us or at_us
        if at_us:
            progress(min(1.0, (at_us - from_us) / max(span[1] - from_us, SECOND_US)), at_us)
    return [run.end() for run in runs]


def _with_models(batches: Iterable[Batch], models: Sequence[ModelOn]) -> Iterator[Batch]:
    """Models first, at the time of the first record."""
    pending = bool(models)
    for batch in batches:
        at_us = max(map(newest, batch), default=0)
        if pending and at_us:
            pending = False
            yield [*batch, *(replace(one, at_us=at_us) for one in models)]
        else:
            yield batch
