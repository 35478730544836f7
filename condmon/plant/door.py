"""The door of a simulated machine: edges of its two switches at every opening and closing."""

from collections.abc import Callable

import numpy as np

from condmon.engine.records import SECOND_US
from condmon.plant.readings import Sent

LATCH_S = 0.8  # invented, as all figures of the plant
PUSH_AGAIN_S = 4.3  # from the first push to the second


def closings(
    opened: np.ndarray[tuple[int], np.dtype[np.bool_]],
    from_us: int,
    size: Callable[[str, int], float],
    rng: np.random.Generator,
) -> dict[str, Sent]:
    """Make what the switches and the latch timer send.

    `opened` has one row a second and one before the first. `size(fault, at_us)` tells how large
    a fault is at that instant.
    """
    position: list[tuple[float, float]] = []
    latch: list[tuple[float, float]] = []
    timer: list[tuple[float, float]] = []
    for second in np.flatnonzero(opened[1:] != opened[:-1]).tolist():
        if opened[second + 1]:
            latch.append((second + 0.2, 0))
            position.append((second + 0.9, 0))
            continue
        at_us = from_us + second * SECOND_US
        took_s = LATCH_S * (1 + size("latch-slow", at_us)) + 0.03 * float(rng.standard_normal())
        position.append((second + 0.1, 1))
        if rng.uniform() < size("latch-second-push", at_us):
            position += [(second + 2.6, 0), (second + 0.1 + PUSH_AGAIN_S, 1)]
            took_s += PUSH_AGAIN_S
        latch.append((second + 0.1 + took_s, 1))
        timer.append((second + 0.2 + took_s, took_s))
    return {
        "door_closed": _sent(position, from_us),
        "door_latched": _sent(latch, from_us),
        "latch_time": _sent(timer, from_us),
    }


def _sent(rows: list[tuple[float, float]], from_us: int) -> Sent:
    at_us = [from_us + round(second * SECOND_US) for second, _ in rows]
    return Sent(np.array(at_us, np.int64), np.array([value for _, value in rows], np.float64))
