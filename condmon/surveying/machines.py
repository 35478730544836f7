"""Which topics belong to one machine: by a machine's word in them, or by tails they share. Pure."""

import re
from collections import defaultdict
from collections.abc import Iterable
from typing import NamedTuple

from condmon.surveying import words
from condmon.surveying.words import word_set

_KINDS = word_set(
    "mill lathe machine mc vmc hmc cnc grinder saw turn mach edm router borer center centre"
)
SHARED_HEADS = word_set("shop hall room ambient site building plant workshop net gateway")
GENERIC = word_set("telemetry data values value tele sensors signals stream raw")
TAILS_SHARED_MIN = 3
ID_LETTERS = 40


class Home(NamedTuple):
    """Where a topic belongs: the machine's id, "" for the shop; and the words behind it."""

    machine: str
    rest: tuple[str, ...]
    why: str


def homes(topics: Iterable[str]) -> dict[str, Home]:
    """Give each topic its home."""
    names = list(topics)
    by_word = {name: _by_word(name) for name in names}
    if any(home is not None for home in by_word.values()):
        before = {head for head in map(_before_word, names) if head}
        return {name: home or Home("", _words(_without(name, before)), "no machine's word is in it")
                for name, home in by_word.items()}  # fmt: skip
    depth = _depth_of_twins(names)
    if depth is not None:
        return {name: _at_depth(name, depth) for name in names}
    return _one_machine(names)


def _by_word(name: str) -> Home | None:
    """Find "mill-1", "lathe2" or "vmc_a" in a topic: a kind of machine and what counts it."""
    levels = name.split("/")
    for at, level in enumerate(levels):
        parts = words.split(level)
        for place, word in enumerate(parts):
            short = re.fullmatch("m", word) and place + 1 < len(parts) and at <= 2
            if word not in _KINDS and not short:
                continue
            counted = place + 1 < len(parts) and _counts(parts[place + 1], place + 2 == len(parts))
            if not counted and (short or word == "machine" or len(parts) > 1):
                continue
            end = place + 1 + bool(counted)
            key = "-".join(parts[place:end])
            behind = _words("/".join(levels[at + 1 :]))
            return Home(key, parts[end:] + behind, f'"{key}" in the topic')
    return None


def _before_word(name: str) -> str:
    """Give the levels before the machine's word, with the slash: "site/" of "site/mill-1/x"."""
    levels = name.split("/")
    for at in range(1, len(levels)):
        if _by_word(levels[at]) is not None:
            return "/".join(levels[:at]) + "/"
    return ""


def _without(name: str, heads: set[str]) -> str:
    fits = [head for head in heads if name.startswith(head)]
    return name[len(max(fits, key=len)) :] if fits else name


def _counts(word: str, last: bool) -> bool:
    return word.isdecimal() or (last and len(word) == 1)


def _depth_of_twins(names: list[str]) -> int | None:
    """Find the level at which several names have the same levels behind them."""
    split = [name.split("/") for name in names]
    for depth in range(min(4, max(len(levels) for levels in split) - 1) if split else 0):
        tails: dict[tuple[str, ...], set[str]] = defaultdict(set)
        for levels in split:
            if len(levels) > depth + 1:
                tails[tuple(levels[: depth + 1])].add("/".join(levels[depth + 1 :]))
        heads = [head for head in tails if not _is_part(head[-1])]
        sizes = [tails[head] for head in heads]
        if len(heads) > 1 and any(
            len(one & other) >= TAILS_SHARED_MIN
            for at, one in enumerate(sizes)
            for other in sizes[:at]
        ):
            return depth
    return None


def _is_part(level: str) -> bool:
    """Whether a level names a part or a place of a machine, such as x, upper or spindle."""
    found = words.split(level)
    return all(len(word) == 1 or word in words.PLACES or word in words.CANONICAL or word.isdecimal()
               for word in found)  # fmt: skip


def _at_depth(name: str, depth: int) -> Home:
    levels = name.split("/")
    head = levels[depth] if len(levels) > depth + 1 else ""
    if not head or set(words.split(head)) & SHARED_HEADS or _is_part(head):
        return Home("", _words(name), "it stands beside the machines")
    key = _id(head)
    return Home(
        key, _words("/".join(levels[depth + 1 :])), f'level "{head}" has like others beside it'
    )


def _one_machine(names: list[str]) -> dict[str, Home]:
    """Everything is of one machine; its id is the last level that all topics begin with."""
    shared: list[str] = []
    for levels in zip(*(name.split("/")[:-1] for name in names), strict=False):
        if len(set(levels)) > 1:
            break
        shared.append(levels[0])
    own = [level for level in shared
           if level and not _is_part(level) and level.lower() not in GENERIC]  # fmt: skip
    key = _id(own[-1]) if own else "machine-1"
    skip = len(shared)
    while skip and _is_part(shared[skip - 1]):  # "spindle" tells what a thing is
        skip -= 1
    why = "all topics seem to be of one machine"
    return {name: Home(key, _words("/".join(name.split("/")[skip:])), why) for name in names}


def _words(text: str) -> tuple[str, ...]:
    found: list[str] = []
    for level in text.split("/"):
        found += words.split(level)
    return tuple(found)


def _id(level: str) -> str:
    key = re.sub("[^a-z0-9]+", "-", level.lower()).strip("-")[:ID_LETTERS].strip("-")
    return key if key and key != "condmon" else "machine-1"
