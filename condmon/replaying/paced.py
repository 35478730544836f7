"""Batches cut to a span of time, or let through no faster than n times life."""

from collections.abc import Callable, Iterable, Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from condmon.engine.records import SECOND_US, Batch, Beacon, Record, Samples
from condmon.replaying.told import newest
from condmon.spans import Span

TURNS_A_SECOND = 4
WAIT_MAX_S = 0.5
Sleep = Callable[[float], object]


def within(batches: Iterable[Batch], span: Span) -> Iterator[Batch]:
    """What reached us in [from, to); nothing before it is known to whoever gets this."""
    for batch in batches:
        kept = [part for record in batch if (part := _part(record, span)) is not None]
        if kept:
            yield kept


def _part(record: Record, span: Span) -> Record | None:
    if not isinstance(record, Samples):
        return record if span[0] <= record.at_us < span[1] else None
    inside = (record.arrived_us >= span[0]) & (record.arrived_us < span[1])
    if inside.all():
        return record if len(record) else None
    return picked(record, np.flatnonzero(inside)) if inside.any() else None


def picked(run: Samples, rows: NDArray[np.intp]) -> Samples:
    """Some rows of a run, in their order, with their words."""
    place = {int(row): at for at, row in enumerate(rows)} if run.raw else {}
    raw = tuple((place[row], text) for row, text in run.raw if row in place)
    return Samples(
        run.signal[rows], run.arrived_us[rows], run.own_us[rows], run.value[rows],
        run.quality[rows], run.mark[rows], run.reason[rows], raw,
    )  # fmt: skip


def paced(
    batches: Iterable[Batch], speed: float, monotonic_s: Callable[[], float], sleep: Sleep
) -> Iterator[Batch]:
    """Small batches, each given when its time has come; time passes `speed` times as fast.

    A hole of the stream passes at the same pace. Cutting changes no output of an engine.
    """
    began_s, first_us = monotonic_s(), 0
    for piece in _pieces(batches, max(SECOND_US, round(speed * SECOND_US / TURNS_A_SECOND))):
        at_us = max(map(newest, piece))
        first_us = first_us or at_us
        due_s = began_s + (at_us - first_us) / SECOND_US / speed
        while (left_s := due_s - monotonic_s()) > 0:
            sleep(min(left_s, WAIT_MAX_S))
        yield piece


def _pieces(batches: Iterable[Batch], step_us: int) -> Iterator[list[Record]]:
    """Pieces that end with a beacon and are about a step long."""
    piece: list[Record] = []
    begin_us = 0
    for record in _short(batches, step_us):
        piece.append(record)
        if isinstance(record, Beacon) and record.at_us - begin_us >= step_us:
            yield piece
            piece, begin_us = [], record.at_us
    if piece:
        yield piece


def _short(batches: Iterable[Batch], step_us: int) -> Iterator[Record]:
    """Long runs of samples cut into steps, with a beacon at the end of each."""
    for record in (record for batch in batches for record in batch):
        if not isinstance(record, Samples) or not len(record):
            yield record
            continue
        step = record.arrived_us // step_us
        edges = [0, *(np.flatnonzero(np.diff(step)) + 1).tolist(), len(record)]
        if len(edges) == 2 or np.any(np.diff(record.arrived_us) < 0):
            yield record
            continue
        for start, stop in pairwise(edges):
            yield record.cut(start, stop)
            yield Beacon(int(record.arrived_us[stop - 1]))
