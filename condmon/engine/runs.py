"""Runs of samples put together, and parted again where a beacon lies between them. Pure."""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from condmon.engine import records as rec
from condmon.engine.outputs import Judged, Output
from condmon.engine.records import Samples

Placed = tuple[tuple[int, ...], Output]
"""An output with its place in the order: (beacons before it, phase, ...)."""


def joined(runs: Sequence[Samples]) -> Samples:
    """All runs as one, in their order."""
    if not runs:
        return rec.samples([])
    if len(runs) == 1:
        return runs[0]
    raw, offset = [], 0
    for run in runs:
        raw += [(row + offset, text) for row, text in run.raw]
        offset += len(run)
    return Samples(
        np.concatenate([run.signal for run in runs]),
        np.concatenate([run.arrived_us for run in runs]),
        np.concatenate([run.own_us for run in runs]),
        np.concatenate([run.value for run in runs]),
        np.concatenate([run.quality for run in runs]),
        np.concatenate([run.mark for run in runs]),
        np.concatenate([run.reason for run in runs]),
        tuple(raw),
    )


def cut_by_epoch(whole: Samples, at_us: rec.I64, epoch: rec.I64) -> list[Placed]:
    """Judged outputs, one for the samples between two beacons."""
    edges = [0, *(np.flatnonzero(np.diff(epoch)) + 1).tolist(), len(epoch)]
    return [
        ((int(epoch[a]), 0, -1), Judged(at_us[a:b], whole.cut(a, b))) for a, b in pairwise(edges)
    ]
