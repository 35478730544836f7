"""The vertical axis of a chart: round figures around what there is. Pure."""

import math

NEAR = 3.0  # a limit within so many spans of the values is shown with them


def axis_ends(low: float, high: float, limit: float | None = None) -> tuple[float, float]:
    """Bottom and top of the axis for values from `low` to `high`; a limit near by is shown."""
    if limit is not None and high > limit - NEAR * max(high - low, 1.0):
        high = max(high, limit)
    room = (high - low) * 0.08 or max(abs(high) * 0.02, 0.5)
    step = 10.0 ** math.floor(math.log10(max((high - low + 2 * room) / 4, 1e-9)))
    bottom, top = math.floor((low - room) / step) * step, math.ceil((high + room) / step) * step
    return (max(0.0, bottom) if low >= 0 else bottom), top
