"""The published and constructed check values; each knows how it was come by.

V1 read in the standard, V2 second hand (seen quoted, recomputed), C constructed, M from memory.
"""

import json
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

ALL = {v["id"]: v for v in json.loads((Path(__file__).parents[1] / "vectors.json").read_text())}


class Vector(NamedTuple):
    source: str
    status: str
    input: dict[str, Any]
    expected: dict[str, Any]
    tol: float

    def column(self, name: str = "x"):
        return np.array(self.input[name], np.float64)


def vector(name: str) -> Vector:
    found = ALL[name]
    return Vector(*(found[key] for key in ("source", "status", "input", "expected", "tol")))
