"""Values in JSON payloads: where they stand, what stands beside them, and when they were so. Pure.

A document is walked once and without recursion deeper than `DEPTH_MAX`; what is found is said in
the words of the configuration: `value`, `time`, `each`, `where`, `dt`.
"""

from collections.abc import Iterator
from typing import NamedTuple

from condmon.engine.records import NO_TIME, SECOND_US
from condmon.engine.timetext import instant
from condmon.surveying.words import word_set

DEPTH_MAX = 6
LEAVES_MAX = 200
ELEMENTS_MAX = 500
NAME_KEYS = ("name", "n", "id", "signal", "tag", "sensor", "channel", "metric", "axis", "key")
_TIMES = word_set("t ts time timestamp at t0 start datetime date when sent utc created epoch")
_STEPS = word_set("dt step interval spacing sample_time sampletime period")
_UNITS = word_set("unit units u uom")
_ASIDE = word_set(
    "n seq sequence no number id uuid msgid messageid quality q version source device host"
)
TIME_WITHIN_US = 400 * 86_400 * SECOND_US
"""A number this near to its arrival is an instant; a clock that was never set is none."""


class Place(NamedTuple):
    """Where a value stands, as the configuration says it; None for what it does not need."""

    value: str | None = None
    time: str | None = None
    each: str | None = None
    where: tuple[str, str] | None = None
    dt: str | None = None


ROOT = Place()
"""The payload as a whole."""


class Leaf(NamedTuple):
    """One value of a document; `given` a scalar or a list of numbers."""

    place: Place
    given: object
    own_us: int  # NO_TIME where it does not say
    unit: str | None = None


def leaves(document: object, arrived_us: int) -> Iterator[Leaf]:
    """Give the values of a document, at most `LEAVES_MAX`."""
    found = _walk(document, "", None, arrived_us, 0)
    for _, leaf in zip(range(LEAVES_MAX), found, strict=False):
        yield leaf


def _walk(
    here: object, path: str, when: tuple[str, int] | None, at_us: int, depth: int
) -> Iterator[Leaf]:
    if depth > DEPTH_MAX:
        return
    if isinstance(here, dict):
        yield from _table(here, path, when, at_us, depth)
    elif isinstance(here, list):
        yield from _array(here, path, when, at_us, depth)
    else:
        yield Leaf(Place(path or None, when and when[0]), here, when[1] if when else NO_TIME)


def _table(
    table: dict[str, object], path: str, when: tuple[str, int] | None, at_us: int, depth: int
) -> Iterator[Leaf]:
    own = _time_in(table, path, at_us) or when
    unit = next((given for key, given in table.items()
                 if key.lower() in _UNITS and isinstance(given, str)), None)  # fmt: skip
    step = next((key for key, given in table.items()
                 if key.lower() in _STEPS and _is_step(given)), None)  # fmt: skip
    values = {key: given for key, given in table.items()
              if key != step and not (own and f"{path}/{_token(key)}" == own[0])
              and not (unit is not None and key.lower() in _UNITS)}  # fmt: skip
    aside = [key for key in values if key.lower() in _ASIDE]
    if len(aside) < len(values):  # of nothing but such things one is what is sent
        values = {key: given for key, given in values.items() if key not in aside}
    for key, given in values.items():
        for leaf in _walk(given, f"{path}/{_token(key)}", own, at_us, depth + 1):
            place, own_unit = leaf.place, leaf.unit
            if step and isinstance(leaf.given, list):
                place = place._replace(dt=f"{path}/{_token(step)}")
            if own_unit is None and len(values) == 1 and not isinstance(given, dict):
                own_unit = unit
            yield leaf._replace(place=place, unit=own_unit)


def _array(
    rows: list[object], path: str, when: tuple[str, int] | None, at_us: int, depth: int
) -> Iterator[Leaf]:
    if rows and all(isinstance(row, dict) for row in rows):
        for row in rows[:ELEMENTS_MAX]:
            yield from _element(row, path, when, at_us, depth)  # type: ignore[arg-type]
    elif len(rows) > 1 and all(_is_number(row) for row in rows):
        yield Leaf(Place(path, when and when[0]), rows, when[1] if when else NO_TIME)


def _element(
    row: dict[str, object], path: str, when: tuple[str, int] | None, at_us: int, depth: int
) -> Iterator[Leaf]:
    """Values of one element of an array; places are inside the element."""
    key = next((key for key in row if key.lower() in NAME_KEYS and isinstance(row[key], str)), None)
    rest = {name: given for name, given in row.items() if name != key}
    for leaf in _table(rest, "", None, at_us, depth + 1):
        if leaf.place.each is None:
            where = None if key is None else (f"/{_token(key)}", str(row[key]))
            place, own_us = leaf.place._replace(each=path, where=where), leaf.own_us
            if place.time is None and when:
                place, own_us = place._replace(time=when[0]), when[1]
            yield leaf._replace(place=place, own_us=own_us)


def _time_in(table: dict[str, object], path: str, at_us: int) -> tuple[str, int] | None:
    for key, given in table.items():
        if key.lower() in _TIMES and not isinstance(given, dict | list):
            own_us, _ = instant(given, at_us)
            if own_us != NO_TIME and abs(own_us - at_us) < TIME_WITHIN_US:
                return f"{path}/{_token(key)}", own_us
    return None


def _token(key: str) -> str:
    return key.replace("~", "~0").replace("/", "~1")


def _is_number(given: object) -> bool:
    return isinstance(given, int | float) and not isinstance(given, bool)


def _is_step(given: object) -> bool:
    return isinstance(given, int | float) and not isinstance(given, bool) and 0 < given < 86_400
