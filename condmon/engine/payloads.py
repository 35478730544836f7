"""JSON payloads: parsing that cannot fail badly, and RFC 6901 pointers. Pure.

orjson does the work. What it refuses is looked at once more by the standard library, which reads
NaN and Infinity, so that such a value is named as what it is and its neighbours are kept.
"""

import json
import math
from typing import Final

import orjson

UNPARSED: Final = object()
"""What `parse` answers when a payload is not JSON."""

MISSING: Final = object()
"""What `find` answers when there is nothing at a pointer's place."""

Pointer = tuple[str, ...]


def parse(payload: bytes) -> object:
    """Read the JSON document in `payload`, or give UNPARSED. Of equal names the last one counts."""
    try:
        return orjson.loads(payload)
    except orjson.JSONDecodeError:
        pass
    try:
        text = payload.removeprefix(b"\xef\xbb\xbf").rstrip(b"\0").decode()
        return json.loads(text, parse_int=_integer)
    except (ValueError, RecursionError):
        return UNPARSED


def _integer(figures: str) -> int | float:
    return int(figures) if len(figures) < 400 else math.inf


def pointer(text: str) -> Pointer:
    """Split an RFC 6901 pointer into its reference tokens; a missing first slash is forgiven."""
    if not text:
        return ()
    tokens = text.removeprefix("/").split("/")
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in tokens)


def find(document: object, tokens: Pointer) -> object:
    """Look up what stands at a pointer in a document, or MISSING."""
    for token in tokens:
        if isinstance(document, dict):
            document = document.get(token, MISSING)
        elif isinstance(document, list):
            document = _element(document, token)
        else:
            return MISSING
    return document


def _element(array: list[object], figures: str) -> object:
    if not (figures.isascii() and figures.isdecimal()) or (figures[0] == "0" and figures != "0"):
        return MISSING
    if len(figures) > 9 or int(figures) >= len(array):
        return MISSING
    return array[int(figures)]
