"""Charts as SVG, drawn here, so that a page is whole without a script. Pure.

A strip is 360 wide and 96 high in its own units. Colours and lines come from the style sheet, for
the page allows no style inside it.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from markupsafe import Markup

from condmon.engine.settings import Signal
from condmon.engine.words import number
from condmon.trade.scale import axis_ends
from condmon.web.rings import Strip
from condmon.web.wording import Wording, reading

WIDTH, HEIGHT = 360, 96
_UNKNOWN = "nothing is known of this time"


class Band(NamedTuple):
    """Something that lasted, or happened, marked in a chart."""

    from_us: int
    to_us: int
    kind: str  # alert, action
    words: str


class Chart(NamedTuple):
    """A signal's chart and the same in words."""

    signal: Signal
    svg: Markup
    words: str
    known: bool
    scale: tuple[float, float]


def chart(
    signal: Signal, strip: Strip, from_us: int, to_us: int, bands: Sequence[Band], wording: Wording
) -> Chart:
    """Draw one signal over a span, with what happened in it."""
    known = ~np.isnan(strip.low)
    if not known.any():
        said = f"{signal.label()}: nothing is known of this time"
        return Chart(signal, _frame(said, Markup("")), _UNKNOWN, False, (0.0, 1.0))
    low, high = float(np.nanmin(strip.low)), float(np.nanmax(strip.high))
    last = float(strip.high[np.flatnonzero(known)[-1]])
    scale = scale_of(signal, low, high)
    words = f"last {reading(signal, last)}"
    if signal.kind != "state":
        words += f" · least {reading(signal, low)} · greatest {reading(signal, high)}"
    elif low != high:
        words += " · both occurred"
    said = f"{signal.label()} from {wording.when(from_us)} to {wording.when(to_us)}: {words}"
    inner = _bands(bands, from_us, to_us) + _lines(signal, scale)
    inner += Markup('<path class="line" d="{}"/>').format(path(strip, from_us, to_us, scale))
    return Chart(signal, _frame(said, inner), words, True, scale)


def scale_of(signal: Signal, low: float, high: float) -> tuple[float, float]:
    """Ends of the vertical axis: round figures around what there is; a trip near by is shown."""
    if signal.kind == "state":
        return -0.15, 1.15
    return axis_ends(low, high, signal.trip)


def path(strip: Strip, from_us: int, to_us: int, scale: tuple[float, float]) -> str:
    """The line of a strip as path commands in whole units; broken where nothing is known."""
    span_us = max(1, to_us - from_us)
    bottom, top = scale
    middle = strip.from_us + (np.arange(len(strip.low)) + 0.5) * strip.step_us
    x = np.round((middle - from_us) / span_us * WIDTH * 2) / 2
    y = [
        np.round((top - np.nan_to_num(side)) / (top - bottom) * HEIGHT, 1)
        for side in (strip.high, strip.low)
    ]
    parts: list[str] = []
    drawn = False
    for at, up, down, value in zip(x, *y, strip.low, strict=True):
        if value != value or not 0 <= at <= WIDTH:
            drawn = False
            continue
        parts.append(f"{'L' if drawn else 'M'}{at:g} {up:g}")
        if up != down or not drawn:
            parts.append(f"V{down:g}" if up != down else "h.5")
        drawn = True
    return "".join(parts)


def _frame(said: str, inner: Markup) -> Markup:
    return Markup(
        '<svg class="chart" viewBox="0 0 {w} {h}" preserveAspectRatio="none" role="img" '
        'aria-label="{said}">{inner}</svg>'
    ).format(w=WIDTH, h=HEIGHT, said=said, inner=inner)


def _bands(bands: Sequence[Band], from_us: int, to_us: int) -> Markup:
    span_us = max(1, to_us - from_us)
    out = Markup("")
    for band in bands:
        a = max(0.0, (band.from_us - from_us) / span_us * WIDTH)
        b = min(float(WIDTH), (band.to_us - from_us) / span_us * WIDTH)
        if b < 0 or a > WIDTH:
            continue
        width = max(b - a, 1.5)
        out += Markup('<rect class="band {}" x="{:.1f}" y="0" width="{:.1f}" height="{}"/>').format(
            band.kind, a, width, HEIGHT
        )
    return out


def _lines(signal: Signal, scale: tuple[float, float]) -> Markup:
    """Where the machine stops itself and the set point, if they are in sight."""
    out = Markup("")
    for kind, value in (("trip", signal.trip), ("setpoint", signal.setpoint)):
        if value is not None and scale[0] <= value <= scale[1]:
            y = (scale[1] - value) / (scale[1] - scale[0]) * HEIGHT
            out += Markup('<path class="{}" d="M0 {:.1f}H{}"/>').format(kind, y, WIDTH)
    return out


def axis(signal: Signal, scale: tuple[float, float]) -> tuple[str, str]:
    """Figures at the two ends of the vertical axis."""
    if signal.kind == "state":
        return "", ""
    return number(scale[1], 4), number(scale[0], 4)
