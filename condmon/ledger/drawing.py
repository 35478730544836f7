"""Charts of a report as SVG that needs nothing else: no script, no style sheet, no other file.

Grey is normal; what was abnormal is a band with its number, so that a black and white print says
the same.
"""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from markupsafe import Markup

from condmon.engine.records import SECOND_US
from condmon.engine.settings import Calendar, Signal
from condmon.engine.words import number, shown
from condmon.ledger.curves import Curve, Span
from condmon.trade.scale import axis_ends

WIDTH, LEFT, RIGHT = 720, 70, 20
HEIGHT, TOP, BOTTOM = 124, 14, 18
TICKS_MAX = 9
HOUR_US = 3600 * SECOND_US
STEPS_US = tuple(s * SECOND_US for s in (60, 300, 900, 1800)) + tuple(
    h * HOUR_US for h in (1, 3, 6, 12, 24, 48, 168, 336, 672)
)


class Band(NamedTuple):
    """Something that lasted, with the number under which the report tells of it."""

    from_us: int
    to_us: int
    number: int


class Piece(NamedTuple):
    """A stretch of time with one word for what was."""

    from_us: int
    to_us: int
    word: str


def chart(
    signal: Signal, curve: Curve, span: Span, bands: Sequence[Band], calendar: Calendar
) -> Markup:
    """One signal over the span, alerts as bands, with its trip and set point."""
    scale = _scale(signal, curve)
    parts = [
        _bands(bands, span),
        _ends(signal, scale),
        _lines(signal, scale),
        _ticks(span, calendar),
    ]
    wide = 4 if signal.kind in {"moment", "calibration"} else 1.1  # single points
    parts.append(
        Markup(
            '<path d="{}" fill="none" stroke="#1f3a52" stroke-width="{}" stroke-linecap="round"/>'
        ).format(path(curve, scale), wide)
    )
    return _frame(f"{signal.label()} over time", HEIGHT, Markup("").join(parts))


def duty_bar(pieces: Sequence[Piece], span: Span, calendar: Calendar) -> Markup:
    """What the machine was doing, as a bar of greys with words."""
    words = {piece.word for piece in pieces}
    shades = ("#ffffff", "#d5d9dc", "#a9b0b6", "#7d868e", "#5a636b", "#3b444b")
    order = sorted(words, key=lambda word: (word != "off", word != "idle", word))
    out = Markup("")
    for piece in pieces:
        a, b = _x(piece.from_us, span), _x(piece.to_us, span)
        shade = order.index(piece.word) % len(shades)
        out += Markup(
            '<rect x="{:.1f}" y="{}" width="{:.1f}" height="26" fill="{}" stroke="#555"'
            ' stroke-width=".4"/>'
        ).format(a, TOP, max(b - a, 0.3), shades[shade])
        if b - a > 7 * len(piece.word):
            ink = "#fff" if shade > 2 else "#111"
            out += Markup(
                '<text x="{:.1f}" y="{}" fill="{}" text-anchor="middle">{}</text>'
            ).format((a + b) / 2, TOP + 17, ink, piece.word)
    height = TOP + 26 + BOTTOM
    return _frame("what the machine was doing", height, out + _ticks(span, calendar, height))


def path(curve: Curve, scale: tuple[float, float]) -> str:
    """The envelope as path commands; broken where nothing is known."""
    bottom, top = scale
    room = HEIGHT - TOP - BOTTOM
    x = LEFT + (np.arange(len(curve.low)) + 0.5) / max(1, len(curve.low)) * (WIDTH - LEFT - RIGHT)
    up, down = (
        np.round(TOP + (top - np.nan_to_num(side)) / (top - bottom) * room, 1)
        for side in (curve.high, curve.low)
    )
    parts: list[str] = []
    drawn = False
    for at, high, low, value in zip(np.round(x, 1), up, down, curve.low, strict=True):
        if value != value:
            drawn = False
            continue
        parts.append(f"{'L' if drawn else 'M'}{at:g} {high:g}")
        if high != low:
            parts.append(f"V{low:g}")
        elif not drawn:
            parts.append("h.6")
        drawn = True
    return "".join(parts)


def _scale(signal: Signal, curve: Curve) -> tuple[float, float]:
    """Ends of the vertical axis: round figures around what there is; a trip near by is shown."""
    if signal.kind == "state":
        return -0.2, 1.2
    return axis_ends(float(np.nanmin(curve.low)), float(np.nanmax(curve.high)), signal.trip)


def _ends(signal: Signal, scale: tuple[float, float]) -> Markup:
    """Figures, or the words of a state, at the two ends of the vertical axis."""
    ends = (
        (scale[1], TOP + 9, number(scale[1], 4) + shown(signal.unit)),
        (scale[0], HEIGHT - BOTTOM, number(scale[0], 4)),
    )
    if signal.kind == "state":
        on, off = ((*signal.words_on, "on")[0], (*signal.words_off, "off")[0])
        ends = ((1.0, TOP + 18, on), (0.0, HEIGHT - BOTTOM - 8, off))
    text = Markup('<text x="{}" y="{}" text-anchor="end">{}</text>')
    return Markup("").join(text.format(LEFT - 5, y, word) for _, y, word in ends)


def _lines(signal: Signal, scale: tuple[float, float]) -> Markup:
    """Where the machine stops itself and the set point, where they are in sight."""
    out = Markup("")
    for word, value, dash in (
        ("stops itself", signal.trip, "7 3"),
        ("set point", signal.setpoint, "2 3"),
    ):
        if value is not None and scale[0] <= value <= scale[1]:
            y = TOP + (scale[1] - value) / (scale[1] - scale[0]) * (HEIGHT - TOP - BOTTOM)
            out += Markup(
                '<path d="M{} {:.1f}H{}" stroke="#444" stroke-width=".8" stroke-dasharray="{}"/>'
                '<text x="{}" y="{:.1f}" text-anchor="end">{}</text>'
            ).format(LEFT, y, WIDTH - RIGHT, dash, WIDTH - RIGHT - 2, y - 2, word)
    return out


def _bands(bands: Sequence[Band], span: Span) -> Markup:
    out, label = Markup(""), 0.0
    for band in sorted(bands):
        if band.to_us < span[0] or band.from_us > span[1]:
            continue
        a, b = _x(band.from_us, span), _x(band.to_us, span)
        label = max(a, label + 7 * len(str(band.number)) + 4)  # numbers side by side
        out += Markup(
            '<rect x="{:.1f}" y="{}" width="{:.1f}" height="{}" fill="#f3c9c4" stroke="#a80f1f"'
            ' stroke-width=".5" stroke-dasharray="3 2"/><text x="{:.1f}" y="{}"'
            ' font-weight="bold" fill="#a80f1f">{}</text>'
        ).format(a, TOP, max(b - a, 1.5), HEIGHT - TOP - BOTTOM, label, TOP - 3, band.number)
    return out


def _ticks(span: Span, calendar: Calendar, height: int = HEIGHT) -> Markup:
    """The time axis by the site's clock."""
    out = Markup('<path d="M{} {}H{}" stroke="#777" stroke-width=".6"/>').format(
        LEFT, height - BOTTOM, WIDTH - RIGHT
    )
    for at_us, word in _marks(span, calendar):
        x = _x(at_us, span)
        out += Markup(
            '<path d="M{0:.1f} {1}v4" stroke="#777" stroke-width=".6"/>'
            '<text x="{0:.1f}" y="{2}" text-anchor="middle">{3}</text>'
        ).format(x, height - BOTTOM, height - 4, word)
    return out


def _marks(span: Span, calendar: Calendar) -> Iterator[tuple[int, str]]:
    """Round instants of the site's clock with their words; days where they are a day apart."""
    step_us = next((s for s in STEPS_US if (span[1] - span[0]) / s <= TICKS_MAX), STEPS_US[-1])
    quarter_us = min(step_us, 900 * SECOND_US)
    at_us, last = -(-span[0] // quarter_us) * quarter_us, None
    while at_us <= span[1]:
        text = calendar.text(at_us)
        minute = int(text[11:13]) * 60 + int(text[14:16])
        if step_us >= 24 * HOUR_US:
            if minute == 0 and (last is None or at_us - last >= step_us - 2 * HOUR_US):
                last = at_us
                yield at_us, text[5:10]
        elif minute * 60 * SECOND_US % step_us == 0 and text[17:] == "00":
            yield at_us, text[5:10] if minute == 0 else text[11:16]
        at_us += quarter_us


def _x(at_us: int, span: Span) -> float:
    share = (min(max(at_us, span[0]), span[1]) - span[0]) / max(1, span[1] - span[0])
    return LEFT + share * (WIDTH - LEFT - RIGHT)


def _frame(said: str, height: int, inner: Markup) -> Markup:
    return Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" role="img"'
        ' font-family="sans-serif" font-size="10" fill="#333" aria-label="{said}">{inner}</svg>'
    ).format(w=WIDTH, h=height, said=said, inner=inner)
