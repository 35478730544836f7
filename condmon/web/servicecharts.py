"""Control charts of a series and strokes laid over each other, as SVG drawn here. Pure.

Every chart says the same in words (`aria-label`), and a value beyond its limits has another shape,
not only another colour.
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from markupsafe import Markup

from condmon.engine.servicebook.series import Series
from condmon.engine.words import number, shown

WIDTH, HEIGHT = 360, 120
SHOWN_MAX = 60
EDGE = 6.0
_LINE = Markup('<path class="{}" d="{}"/>')


class Scale(NamedTuple):
    """Where values lie in the drawing."""

    low: float
    high: float
    n: int

    def x(self, place: float) -> float:
        """Place 0 to n - 1 across."""
        return EDGE + (WIDTH - 2 * EDGE) * (place / max(self.n - 1, 1))

    def y(self, value: float) -> float:
        """A value, upwards."""
        return HEIGHT - EDGE - (HEIGHT - 2 * EDGE) * (value - self.low) / (self.high - self.low)


def series_chart(series: Series) -> Markup:
    """The newest values with their limits, tolerance and EWMA; empty where there is no value."""
    values = series.values[-SHOWN_MAX:]
    if not values:
        return Markup("")
    first = len(series.values) - len(values)
    chart = series.chart()
    ends = [v.value for v in values]
    for phase in chart.phases:
        if phase.stop > first:
            ends += [phase.low, phase.high]
    if series.tolerance is not None:
        ends += [series.nominal - series.tolerance, series.nominal + series.tolerance]
    scale = _scale(ends, len(values))
    inner = Markup("")
    if series.tolerance is not None:
        for side in (-1, 1):
            inner += _level(scale, series.nominal + side * series.tolerance, "trip")
    for phase in chart.phases:
        if phase.stop <= first:
            continue
        a, b = max(phase.start - first, 0), phase.stop - 1 - first
        for level, kind in (
            (phase.centre, "setpoint"),
            (phase.low, "limit"),
            (phase.high, "limit"),
        ):
            inner += _level(scale, level, kind, a, b)
        smooth = chart.ewma[max(phase.start, first) : phase.stop]
        inner += _LINE.format("ewma", _path(scale, smooth.tolist(), a))
    inner += _LINE.format("line", _path(scale, [v.value for v in values]))
    for i, value in enumerate(values):
        inner += _dot(scale.x(i), scale.y(value.value), out=bool(chart.out[first + i]))
    return _frame(_said(series, chart.out.tolist()), inner)


def _said(series: Series, out: Sequence[bool]) -> str:
    words = (
        f"{series.title}: {len(series.values)} values, last {series.said(series.values[-1].value)}"
    )
    beyond = sum(out[-SHOWN_MAX:])
    return words + (f", {beyond} beyond the limits" if beyond else ", none beyond the limits")


def overlay(label: str, unit: str, shapes: Mapping[str, Sequence[float]]) -> Markup:
    """Strokes over the way: the baseline, before the work, now; empty where none is known."""
    known = {kind: list(shapes.get(kind, ())) for kind in ("baseline", "before", "now")}
    ends = [value for stroke in known.values() for value in stroke]
    if not ends:
        return Markup("")
    inner, words = Markup(""), []
    for kind, stroke in known.items():
        if stroke:
            scale = _scale(ends, len(stroke))
            inner += _LINE.format(f"stroke-{kind}", _path(scale, stroke))
            words.append(f"{kind} {number(min(stroke))} to {number(max(stroke))}{shown(unit)}")
    return _frame(f"{label} over its way: {'; '.join(words)}", inner)


def _scale(values: Sequence[float], n: int) -> Scale:
    low, high = min(values), max(values)
    room = 0.08 * (high - low) or max(abs(high) * 0.05, 0.5)
    return Scale(low - room, high + room, n)


def _path(scale: Scale, values: Sequence[float], first: int = 0) -> str:
    parts = [
        f"{'M' if i == 0 else 'L'}{scale.x(first + i):.1f} {scale.y(v):.1f}"
        for i, v in enumerate(values)
        if not np.isnan(v)
    ]
    return "".join(parts)


def _level(scale: Scale, value: float, kind: str, a: int = 0, b: int | None = None) -> Markup:
    end = scale.x(scale.n - 1 if b is None else b)
    return _LINE.format(kind, f"M{scale.x(a):.1f} {scale.y(value):.1f}H{max(end, 12.0):.1f}")


def _dot(x: float, y: float, *, out: bool) -> Markup:
    if out:
        return _LINE.format("dot out", f"M{x - 4:.1f} {y - 4:.1f}l8 8M{x - 4:.1f} {y + 4:.1f}l8 -8")
    return Markup('<circle class="dot" cx="{:.1f}" cy="{:.1f}" r="2.4"/>').format(x, y)


def _frame(said: str, inner: Markup) -> Markup:
    return Markup(
        '<svg class="plan" viewBox="0 0 {} {}" role="img" aria-label="{}">{}</svg>'
    ).format(WIDTH, HEIGHT, said, inner)
