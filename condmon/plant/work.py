"""What the simulated shop does all day: shifts, warm-up, parts, setting up, lights-out nights.

A day of one machine is a list of segments; each follows from seed, machine and date alone, so that
any hour of any day can be made without the ones before it.
"""

from collections.abc import Generator, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from enum import IntEnum

import numpy as np

DAY_S = 86400
SHIFT_FROM_S = 6 * 3600 + 1800
SHIFT_TO_S = 18 * 3600
NIGHT_TO_S = 6 * 3600 + 600  # a lights-out run lasts until people are back


class Mode(IntEnum):
    """What the machine does in a segment."""

    OFF = 0
    IDLE = 1  # on, standing, door shut
    OPEN = 2  # door open: setting up, or changing a part by hand
    CUT = 3  # program running, spindle turning
    TOOL = 4  # program running, tool change
    PALLET = 5  # parts change by themselves, door shut


@dataclass(frozen=True, slots=True)
class Segment:
    """From `start_s` (local second of the day) until the next; `speed`, `load` are shares."""

    start_s: int
    mode: Mode
    speed: float = 0.0
    load: float = 0.0


def day(seed: int, machine: int, on: date, nights: frozenset[int]) -> list[Segment]:
    """List the segments of one local day; on weekdays in `nights` the night runs unattended."""
    rng = np.random.default_rng([seed, machine, on.toordinal()])
    ran = (on - timedelta(days=1)).weekday() in nights
    rows: list[Segment] = []
    if ran:
        rows += _parts(rng, 0, NIGHT_TO_S, Mode.PALLET)
        rows.append(Segment(NIGHT_TO_S, Mode.IDLE))
    else:
        rows.append(Segment(0, Mode.OFF))
    if on.weekday() >= 5:
        if ran:
            rows.append(Segment(SHIFT_FROM_S, Mode.OFF))
        return rows
    rows += _shift(rng, SHIFT_FROM_S + int(rng.integers(0, 600)))
    if on.weekday() in nights:
        rows += _parts(rng, SHIFT_TO_S, DAY_S, Mode.PALLET)
    else:
        rows.append(Segment(SHIFT_TO_S + int(rng.integers(0, 120)), Mode.OFF))
    return rows


def _shift(rng: np.random.Generator, on_s: int) -> Iterator[Segment]:
    yield Segment(on_s, Mode.IDLE)
    warm_s = on_s + 600
    for share in (0.15, 0.4, 0.65):  # common practice: run the spindle in by steps
        yield Segment(warm_s, Mode.CUT, share, 0.08)
        warm_s += 400
    noon_s = 12 * 3600 + 1800
    begin_s = yield from _set_up(rng, warm_s, int(rng.integers(1200, 2400)))
    yield from _parts(rng, begin_s, noon_s, Mode.OPEN)
    begin_s = yield from _set_up(rng, noon_s, int(rng.integers(900, 2000)))
    yield from _parts(rng, begin_s, SHIFT_TO_S - 480, Mode.OPEN)
    yield Segment(SHIFT_TO_S - 480, Mode.IDLE)


def _set_up(rng: np.random.Generator, from_s: int, length_s: int) -> Generator[Segment, None, int]:
    """Door open and shut in turns, no program; gives the second at which it ends."""
    at_s = from_s
    while at_s < from_s + length_s:
        yield Segment(at_s, Mode.OPEN)
        at_s += int(rng.integers(180, 420))
        yield Segment(at_s, Mode.IDLE)
        at_s += int(rng.integers(40, 120))
    return at_s


def _parts(rng: np.random.Generator, from_s: int, to_s: int, change: Mode) -> Iterator[Segment]:
    """Part after part in [from_s, to_s): tools in turn, then the change of the part."""
    at_s = from_s
    while at_s < to_s:
        for _ in range(int(rng.integers(3, 7))):
            yield Segment(at_s, Mode.TOOL)
            at_s += 12
            if at_s >= to_s:
                return
            yield Segment(
                at_s,
                Mode.CUT,
                float(rng.choice((0.35, 0.5, 0.65, 0.8, 0.95))),
                float(rng.uniform(0.15, 0.6)),
            )
            at_s += int(rng.integers(90, 420))
            if at_s >= to_s:
                return
        yield Segment(at_s, change)
        by_hand = change == Mode.OPEN
        at_s += int(rng.integers(70, 160) if by_hand else rng.integers(50, 70))
