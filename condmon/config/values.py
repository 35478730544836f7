"""Readers of single values: each takes what TOML gave and returns it checked, or raises `Wrong`."""

import os
import re
import stat
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, TypeVar

from condmon.config.table import Wrong
from condmon.engine.settings import Urgency
from condmon.engine.units import UNITS, find
from condmon.engine.words import nearest, parse_duration

T = TypeVar("T")

TOPIC_BYTES_MAX = 65_535  # MQTT 5, 1.5.4
TEXT_MAX = 2000
DURATION_MAX_S = 10 * 366 * 86400.0
URGENCIES: tuple[Urgency, ...] = ("now", "today", "note")
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ufffe\uffff]")
_ID = re.compile(r"[a-z0-9][a-z0-9_-]{0,47}")


def text(value: Any, longest: int = TEXT_MAX) -> str:
    """Read a text of one line, not empty, without blanks at its ends."""
    if isinstance(value, bool):
        raise Wrong(f"{_toml(value)} is not a text; if a text is meant, put it in quotes")
    if not isinstance(value, str):
        raise Wrong(f"this must be a text in quotes, not {_kind(value)}")
    if not value.strip():
        raise Wrong("the text is empty; fill it in or leave the key out")
    if value != value.strip():
        raise Wrong("there is a blank at the beginning or the end; take it away")
    if _CONTROL.search(value):
        raise Wrong("there is a tab, line break or another control character in it; take it out")
    if len(value) > longest:
        raise Wrong(f"longer than {longest} characters; shorten it")
    return value


def prose(value: Any) -> str:
    """Read a text of any number of lines."""
    if isinstance(value, str):
        value = " ".join(value.split())
    return text(value)


def flag(value: Any) -> bool:
    """Read true or false."""
    if not isinstance(value, bool):
        raise Wrong(f"this must be true or false, without quotes, not {_kind(value)}")
    return value


def number(value: Any) -> float:
    """Read a finite number."""
    if isinstance(value, str):
        found = re.match(r"\s*([+-]?\d+)([.,]\d+)?", value)
        if found:
            plain = found[1] + (found[2] or "").replace(",", ".")
            raise Wrong(f"write the bare number without quotes and without its unit: {plain}")
        raise Wrong("this must be a number without quotes")
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Wrong(f"this must be a number, not {_kind(value)}")
    if not abs(value) <= 1e15:  # nan, too; of a huge whole number isfinite would stumble
        raise Wrong("this must be an ordinary number, not inf, nan or something this large")
    return float(value)


def positive(value: Any) -> float:
    """Read a number above 0."""
    given = number(value)
    if given <= 0:
        raise Wrong("this must be above 0")
    return given


def not_negative(value: Any) -> float:
    """Read a number of 0 or more."""
    given = number(value)
    if given < 0:
        raise Wrong("this cannot be negative")
    return given


def whole(lowest: int, highest: int) -> Callable[[Any], int]:
    """Reader of a whole number in a span, both ends included."""

    def read(value: Any) -> int:
        given = number(value)
        if isinstance(value, float) or not lowest <= given <= highest:
            raise Wrong(f"this must be a whole number from {lowest} to {highest}")
        return int(value)

    return read


def duration(shortest_s: float = 0.0, longest_s: float = DURATION_MAX_S) -> Callable[[Any], float]:
    """Reader of a time span in seconds, written as text with its unit."""

    def read(value: Any) -> float:
        units = "s, min, h or d (also ms)"
        if isinstance(value, int | float) and not isinstance(value, bool):
            sign = "a time cannot be negative; " if value < 0 else ""
            bare = abs(value)
            raise Wrong(f'{sign}give the time as text with its unit: "{bare} s" or "{bare} min"')
        given = text(value, 40)
        if given.startswith("-"):
            raise Wrong("a time cannot be negative; leave the - out")
        seconds = parse_duration(given)
        if seconds is None:
            raise Wrong(f'"{given}" is no time; write a number and one of the units {units}, '
                        'for example "90 s"')  # fmt: skip
        if not shortest_s <= seconds <= longest_s:
            raise Wrong(f"this must be from {_span(shortest_s)} to {_span(longest_s)}")
        return seconds

    return read


def one_of(known: Iterable[T], what: str) -> Callable[[Any], T]:
    """Reader of one of a few words."""
    words = {str(word): word for word in known}

    def read(value: Any) -> T:
        given = text(value, 200)
        if given not in words:
            near = nearest(given, words)
            offer = near or f"; known are {', '.join(words)}"
            raise Wrong(f'"{_short(given)}" is no {what}{offer}')
        return words[given]

    return read


def several(read: Callable[[Any], T], most: int = 100) -> Callable[[Any], tuple[T, ...]]:
    """Reader of an array, every element read by `read`; not empty, nothing twice."""

    def read_all(value: Any) -> tuple[T, ...]:
        if not isinstance(value, list):
            raise Wrong('this must be a list in brackets, like ["...", "..."]')
        if not value or len(value) > most:
            raise Wrong(f"this list must have from 1 to {most} elements")
        found = tuple(read(element) for element in value)
        if len(set(found)) != len(found):
            raise Wrong("something is in the list twice; keep one")
        return found

    return read_all


def span(value: Any) -> tuple[float, float]:
    """Read two numbers, the lower first."""
    if not isinstance(value, list) or len(value) != 2:
        raise Wrong("this must be two numbers, the lower first, like [-10, 120]")
    low, high = number(value[0]), number(value[1])
    if low >= high:
        raise Wrong(f"the lower end comes first and must be lower: [{high:g}, {low:g}]?")
    return low, high


def name_of(what: str) -> Callable[[Any], str]:
    """Reader of an id of the shop's choosing."""

    def read(value: Any) -> str:
        given = text(value, 200)
        if not _ID.fullmatch(given):
            raise Wrong(f'"{_short(given)}" cannot be {what}: take 1 to 48 of the characters '
                        "a-z 0-9 - _, a letter or figure first")  # fmt: skip
        return given

    return read


def unit(value: Any) -> str:
    """Read a UCUM code that is known here."""
    given = text(value, 40)
    if given in UNITS:
        return given
    meant = find(given)
    if meant:
        raise Wrong(f'"{given}" is no UCUM code; did you mean "{meant}"?')
    offer = nearest(given, UNITS) or "; known are " + ", ".join(list(UNITS)[:40]) + " and more"
    raise Wrong(f'"{given}" is no UCUM code condmon knows{offer}')


def topic(value: Any) -> str:
    """Read a topic that one signal listens to: no wildcards, not $ topics."""
    given = _any_topic(value)
    if "+" in given or "#" in given:
        raise Wrong("a signal listens to one topic; + and # are wildcards and cannot stand here")
    return given


def topic_filter(value: Any) -> str:
    """Read a topic filter by the rules of MQTT 5, 4.7.1."""
    given = _any_topic(value)
    levels = given.split("/")
    if any("#" in level and (level != "#" or i < len(levels) - 1)
           for i, level in enumerate(levels)):  # fmt: skip
        raise Wrong("# stands alone and only as the last level, like pier/mill-1/#")
    if any("+" in level and level != "+" for level in levels):
        raise Wrong("+ stands alone between two slashes, like pier/+/spindle")
    return given


def pointer(value: Any) -> str:
    """Read a JSON pointer (RFC 6901); "" is the whole document."""
    if value == "":
        return ""
    given = text(value, 500)
    if not given.startswith("/"):
        raise Wrong(f'a place in JSON begins with a slash: "/{_short(given)}"')
    if re.search("~(?![01])", given):
        raise Wrong("write ~ in a JSON pointer as ~0 (and / inside a name as ~1)")
    return given


def file_in(folder: Path) -> Callable[[Any], Path]:
    """Reader of a path, relative to the folder of the configuration."""

    def read(value: Any) -> Path:
        return folder / text(value, 1000)

    return read


def secret_in(folder: Path) -> Callable[[Any], Path]:
    """Reader of the path of a file that holds a secret only its owner may read."""

    def read(value: Any) -> Path:
        if not os.path.lexists(file_in(folder)(value)):
            raise Wrong("there is no file of this name; the name is not repeated here, for it may "
                        "be the secret itself. Put the secret into a file of its own, alone on one "
                        "line, and name that file here")  # fmt: skip
        file = readable_in(folder)(value)
        mode = file.stat().st_mode
        if mode & 0o077:
            raise Wrong(f"{file} can be read by others than its owner (mode {mode & 0o777:03o}); "
                        f"do: chmod 600 {file}")  # fmt: skip
        if not file.stat().st_size:
            raise Wrong(f"{file} is empty; write the secret into it, alone on one line")
        return file

    return read


def readable_in(folder: Path) -> Callable[[Any], Path]:
    """Reader of the path of a file that must be there and readable."""

    def read(value: Any) -> Path:
        file = file_in(folder)(value)
        try:
            if not stat.S_ISREG(file.stat().st_mode):
                raise Wrong(f"{file} is no file; name a file")
            with file.open("rb"):
                return file
        except OSError as error:
            raise Wrong(f"{file} cannot be read: {error.strerror}; put the file there or let "
                        "condmon's user read it") from error  # fmt: skip

    return read


def _any_topic(value: Any) -> str:
    given = text(value, TOPIC_BYTES_MAX)
    try:
        size = len(given.encode())
    except UnicodeEncodeError as error:
        raise Wrong("there is a broken character in the topic") from error
    if size > TOPIC_BYTES_MAX:
        raise Wrong(f"a topic has at most {TOPIC_BYTES_MAX} bytes")
    if given.startswith("$"):
        raise Wrong("topics that begin with $ belong to the broker; take one of the machine's")
    return given


def _short(given: str) -> str:
    return given if len(given) <= 60 else given[:57] + "..."


def _toml(value: Any) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def _kind(value: Any) -> str:
    if isinstance(value, bool):
        return _toml(value)
    names = {str: "a text", int: "a number", float: "a number", list: "a list", dict: "a section"}
    return names.get(type(value), "a date or time")


def _span(seconds: float) -> str:
    for size, name in ((86400, "d"), (3600, "h"), (60, "min")):
        if seconds >= size:
            return f"{seconds / size:g} {name}"
    return f"{seconds:g} s"
