"""What may be filed in the service book, and which fields its content has. Pure.

The engine, the command line and the page ask the same question before anything is filed:
`content_of` gives the content, or raises Refused with a sentence for people.
"""

import json
import re
from collections.abc import Callable, Collection, Mapping
from typing import Any

from condmon.engine.records import FILED_CONTENT_MAX, Filed
from condmon.engine.words import nearest

TEXT_MAX = 600
NAME_MAX = 80
ROWS_MAX = 40
NUMBER_MAX = 1e15
KEY = re.compile(r"[a-z0-9][a-z0-9._-]{0,63}", re.ASCII)
PHOTO = re.compile(r"[0-9a-f]{24}", re.ASCII)

Content = dict[str, Any]
Field = Callable[[Any], str]
"""Says what is wrong with a value, or nothing."""


class Refused(ValueError):  # noqa: N818 - what a person filed does not fit; not a fault of ours
    """It cannot be filed; the text says why, for people."""


def _text(longest: int, least: int = 0) -> Field:
    def wrong(value: Any) -> str:
        fits = isinstance(value, str) and least <= len(value.strip()) and len(value) <= longest
        return "" if fits else f"a text of {least} to {longest} characters"

    return wrong


def _one_of(*words: str) -> Field:
    return lambda value: "" if value in words else f"one of {', '.join(words)}"


def _number(value: Any) -> str:
    fits = isinstance(value, int | float) and not isinstance(value, bool)
    return "" if fits and -NUMBER_MAX < value < NUMBER_MAX else "a number"


def _positive(value: Any) -> str:
    return "" if not _number(value) and value > 0 else "a number above 0"


def _amount(value: Any) -> str:
    return "" if not _number(value) and value >= 0 else "a number from 0 on"


def _instant(value: Any) -> str:
    fits = isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 2**62
    return "" if fits else "an instant in microseconds"


def _yes(value: Any) -> str:
    return "" if isinstance(value, bool) else "true or false"


def _key(value: Any) -> str:
    return "" if isinstance(value, str) and KEY.fullmatch(value) else "a key such as spindle-2"


def _photo(value: Any) -> str:
    return "" if isinstance(value, str) and PHOTO.fullmatch(value) else "the name of a photo"


def _rows(value: Any) -> str:
    fits = isinstance(value, list) and len(value) <= ROWS_MAX
    fits = fits and all(isinstance(row, str) and len(row) <= TEXT_MAX for row in value)
    return "" if fits else f"at most {ROWS_MAX} texts"


def _amounts(value: Any) -> str:
    """Positive numbers by name: limits of a task by measure."""
    if not isinstance(value, dict) or len(value) > ROWS_MAX:
        return "numbers by name"
    bad = next((name for name, amount in value.items() if _positive(amount)), None)
    return "" if bad is None else f"a number above 0 for {bad}"


def _texts(value: Any) -> str:
    fits = isinstance(value, list) and all(isinstance(row, str) for row in value)
    return "" if fits else "a list of texts"


def _texts_by_name(value: Any) -> str:
    fits = isinstance(value, dict) and all(isinstance(word, str) for word in value.values())
    return "" if fits else "texts by name"


def _pairs(value: Any) -> str:
    fits = isinstance(value, list) and all(
        isinstance(row, list) and len(row) == 2 and not _texts(row) for row in value
    )
    return "" if fits else "a list of pairs of texts"


def _figure(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _judged(value: Any) -> str:
    """Figures of a return-to-service run, as `trial.judge.plain` writes them."""
    fits = isinstance(value, list) and all(
        isinstance(row, dict)
        and all(isinstance(row.get(name), str) for name in JUDGED_TEXTS)
        and all(name in row and (row[name] is None or _figure(row[name])) for name in JUDGED)
        for row in value
    )
    return "" if fits else "a list of judged figures"


def _strokes(value: Any) -> str:
    """Strokes by signal and by kind: baseline, before, now."""
    fits = isinstance(value, dict) and all(
        isinstance(kinds, dict)
        and all(isinstance(one, list) and all(map(_figure, one)) for one in kinds.values())
        for kinds in value.values()
    )
    return "" if fits else "strokes by signal"


def _anything(_: Any) -> str:
    return ""


JUDGED_TEXTS = ("step", "words", "unit", "verdict", "why")
JUDGED = ("now", "base", "before")
LINE, TEXT = _text(NAME_MAX), _text(TEXT_MAX)
NAME = _text(NAME_MAX, 1)

FIELDS: Mapping[str, tuple[Mapping[str, Field], Mapping[str, Field]]] = {
    # what: (fields it must have, fields it may have)
    "component": (
        {"name": NAME},
        {"sort": LINE, "serial": LINE, "maker": LINE, "part_of": _key, "text": TEXT,
         "photo": _photo, "used": _amounts},
    ),
    "installed": ({"place": NAME}, {"text": TEXT, "visit": _key, "photo": _photo}),
    "removed": (
        {"to": _one_of("store", "exchange", "scrap")},
        {"text": TEXT, "visit": _key, "photo": _photo},
    ),
    "returned": ({}, {"serial": LINE, "renewed": _yes, "text": TEXT}),
    "task": (
        {"title": NAME, "sort": _one_of("service", "inspection", "cleaning", "calibration")},
        {"every": _amounts, "lead": _amounts, "place": LINE, "do": _rows, "caution": TEXT,
         "unit": LINE, "low": _number, "high": _number, "photo": _yes, "used": _amounts,
         "source": LINE},
    ),
    "retired": ({}, {"text": TEXT}),
    "done": (
        {},
        {"text": TEXT, "reading": _number, "photo": _photo, "visit": _key, "on_us": _instant},
    ),
    "inspected": (
        {"found": _one_of("good", "watch", "bad")},
        {"text": TEXT, "reading": _number, "photo": _photo, "visit": _key, "on_us": _instant},
    ),
    "skipped": ({"text": _text(TEXT_MAX, 1)}, {"days": _positive}),
    # visits, measurements and the watched run after them
    "visit": ({"title": NAME}, {"text": TEXT, "who": LINE, "for_us": _instant}),
    "visit_begun": ({}, {"who": LINE}),
    "visit_ended": ({}, {"text": TEXT}),
    "part": (
        {"name": NAME}, {"taken": _amount, "used": _amount, "returned": _amount, "text": LINE},
    ),
    "finding": ({"text": _text(TEXT_MAX, 1)}, {"photo": _photo}),
    "series": (
        {"title": NAME},
        {"unit": LINE, "signal": LINE, "nominal": _number, "tolerance": _positive,
         "target": _number, "sigma": _positive, "resolution": _positive, "least": _positive},
    ),
    "measured": (
        {"value": _number},
        {"unit": LINE, "when": _one_of("before", "after"), "visit": _key, "text": TEXT,
         "photo": _photo},
    ),
    "expected": ({"yes": _yes}, {"text": TEXT}),
    "trial": ({}, {}),
    "checked": ({}, {}),
    "signed": ({}, {"text": TEXT}),
    "baseline": ({}, {"text": TEXT}),
    # what condmon itself found; refused from anybody else
    "evidence": ({"lines": _pairs, "spares": _pairs}, {}),
    "verdict": (
        {"verdict": _one_of("pass", "fail", "cannot tell"), "steps": _texts_by_name,
         "not_watched": _texts, "findings": _judged, "open": _texts},
        {"shapes": _strokes},
    ),
    "carried": ({}, {"*": _anything}),
}  # fmt: skip
"""`"*"` lets a module check further fields itself."""


def content_of(filed: Filed) -> Content:
    """The content of a record, its fields checked. Raises Refused."""
    if filed.what not in FIELDS:
        raise Refused(f'nothing called "{filed.what}" can be filed{nearest(filed.what, FIELDS)}')
    if not KEY.fullmatch(filed.key):
        raise Refused(f'"{filed.key[:70]}" is no key: small letters, digits, ".", "_" and "-"')
    if len(filed.content) > FILED_CONTENT_MAX:
        raise Refused(f"it is longer than {FILED_CONTENT_MAX:,} characters")
    try:
        content = json.loads(filed.content)
    except (ValueError, RecursionError):
        content = None
    if not isinstance(content, dict):
        raise Refused("its content is no JSON object")
    must, may = FIELDS[filed.what]
    for name in must:
        if name not in content:
            raise Refused(f"{name} is missing: {must[name](None)}")
    for name, value in content.items():
        check = must.get(name) or may.get(name) or may.get("*")
        if check is None:
            raise Refused(f"it has no field {name}{nearest(name, [*must, *may])}")
        if wrong := check(value):
            raise Refused(f"{name} must be {wrong}")
    return content


def key_from(name: str, taken: Collection[str]) -> str:
    """A free key made from a name: "Spindle unit" gives spindle-unit, then spindle-unit-2."""
    bare = re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:50] or "entry"
    number, key = 1, bare
    while key in taken:
        number += 1
        key = f"{bare}-{number}"
    return key
