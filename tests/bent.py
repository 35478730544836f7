"""What generated tests bend: bytes with some replaced, JSON with a value changed somewhere.

A number decides everything, so that a failing input can be made again and a million cost little.
"""

import copy
import json
from random import Random
from typing import Any

from hypothesis import strategies as st

ODD = (
    None, True, False, 0, 1, -1, 0.5, -0.0, 2**31, 2**53, 2**63, -(2**70), 1e308, -1e308, 1e-308,
    float("nan"), float("inf"), "", "x", "9" * 400, "AAAA", "\x1b[2J\n", "\u2028\ud7ff", [], {},
    [[]], [1.0], [None], {"x": 1}, {"": {}}, "2025-11-24T06:00:00Z", "on", "1e5", 1763964000,
)  # fmt: skip
SEEDS = st.integers(0, 2**62)
PIECES = tuple(b'"\\{}[],:.-+eE0\n\r\t \x00\xff\x80PAR1')


def bent_bytes(*wholes: bytes) -> st.SearchStrategy[bytes]:
    """One of these with some bytes replaced, put in or taken out, or cut off."""
    return SEEDS.map(lambda seed: _bytes(Random(seed), wholes))


def _bytes(rng: Random, wholes: tuple[bytes, ...]) -> bytes:
    whole = rng.choice(wholes)
    for _ in range(rng.randrange(1, 5)):
        at, n = rng.randrange(len(whole) + 1), rng.randrange(1, 5)
        piece = rng.randbytes(n) if rng.random() < 0.5 else bytes(rng.choices(PIECES, k=n))
        kind = rng.randrange(10)
        if kind < 4:
            whole = whole[:at] + piece + whole[at + n :]
        elif kind < 6:
            whole = whole[:at] + piece + whole[at:]
        elif kind < 8:
            whole = whole[:at] + whole[at + n :]
        elif kind < 9:
            whole = whole[:at]
        else:
            other = rng.choice(wholes)
            whole = whole[:at] + other[rng.randrange(len(other) + 1) :]
    return whole


def bent_json(text: str | bytes) -> st.SearchStrategy[Any]:
    """The value of a JSON text, with one to three of its parts changed, put in or left out."""
    whole = json.loads(text)
    return SEEDS.map(lambda seed: _json(Random(seed), {"": copy.deepcopy(whole)}))


def _json(rng: Random, whole: dict[str, Any]) -> Any:
    for _ in range(rng.randrange(1, 4)):
        here: Any = whole
        for _ in range(rng.randrange(1, 8)):
            inside = [here[name] for name in _names(here)]
            deeper = [one for one in inside if isinstance(one, dict | list) and one]
            if not deeper:
                break
            here = rng.choice(deeper)
        name = rng.choice(_names(here))
        if here is whole or rng.random() < 0.8:
            here[name] = copy.deepcopy(rng.choice(ODD))
        else:
            del here[name]
    return whole.get("")


def _names(here: Any) -> list[Any]:
    return list(here) if isinstance(here, dict) else list(range(len(here)))
