"""The signal around the onset of an alert as a small picture, for messages. Uses Pillow.

Reads what is recorded; never writes.
"""

import math
from io import BytesIO
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from condmon.config import Config
from condmon.engine.outputs import Alert
from condmon.engine.records import F64, SECOND_US
from condmon.engine.settings import Calendar, Signal
from condmon.engine.words import number, shown
from condmon.history.store import History, Strip
from condmon.senders.pictures import Draw, Picture

if TYPE_CHECKING:
    from PIL import ImageDraw

WIDTH, HEIGHT = 640, 240
LEFT, RIGHT, TOP, BOTTOM = 64, 12, 30, 30
BEFORE_US = 1800 * SECOND_US
AFTER_US = 600 * SECOND_US
LONGEST_US = 6 * 3600 * SECOND_US
COLUMNS = 280
TRIP_SPANS = 3.0
"""The trip is drawn unless that would squeeze the curve below this share of the height."""

PAPER, INK, QUIET, LINE, ONSET = range(5)
COLOURS = ((250, 250, 250), (20, 24, 28), (120, 126, 132), (30, 70, 120), (176, 32, 32))


class Frame(NamedTuple):
    """Where a picture's edges lie: instants and values."""

    from_us: int
    to_us: int
    low: float
    high: float

    def x(self, at_us: int) -> int:
        """Column of an instant."""
        share = (at_us - self.from_us) / (self.to_us - self.from_us)
        return LEFT + round(share * (WIDTH - LEFT - RIGHT))

    def y(self, value: float) -> int:
        """Row of a value."""
        share = (value - self.low) / (self.high - self.low)
        return HEIGHT - BOTTOM - round(share * (HEIGHT - TOP - BOTTOM))


def draw_of(config: Config) -> Draw:
    """A drawer of the alerts of a configuration."""
    settings, folder = config.settings, config.store.path
    signals = {(signal.machine, signal.name): signal for signal in settings.signals}

    def draw(alert: Alert, at_us: int) -> Picture | None:
        history = History(folder, settings.signals)
        for name in alert.signals:
            signal = signals.get((alert.machine, name))
            made = _picture(history, signal, alert, at_us, settings.calendar) if signal else None
            if made:
                return made
        return None

    return draw


def _picture(
    history: History, signal: Signal, alert: Alert, at_us: int, calendar: Calendar
) -> Picture | None:
    """The first signal that has something to show."""
    from_us = alert.began_us - BEFORE_US
    to_us = min(at_us, (alert.ended_us or at_us) + AFTER_US, from_us + LONGEST_US)
    to_us = max(to_us, alert.began_us + 60 * SECOND_US)
    hold_us = round((signal.stale_after_s or 3600.0) * SECOND_US)
    strip = history.read(signal.machine, signal.name, from_us, to_us, COLUMNS, hold_us)
    if np.isfinite(strip.low).sum() < 2:
        return None
    frame = Frame(from_us, to_us, *_edges(strip, signal))
    return Picture(
        _png(frame, strip, signal, alert, calendar), _words(strip, signal, alert, frame, calendar)
    )


def _edges(strip: Strip, signal: Signal) -> tuple[float, float]:
    low, high = float(np.nanmin(strip.low)), float(np.nanmax(strip.high))
    span = max(high - low, 1e-9)
    for mark in _marks(signal):
        if max(high, mark) - min(low, mark) <= TRIP_SPANS * span or low <= mark <= high:
            low, high = min(low, mark), max(high, mark)
    room = max((high - low) * 0.08, abs(high) * 1e-6, 1e-6)
    return low - room, high + room


def _marks(signal: Signal) -> list[float]:
    return [mark for mark in (signal.trip, signal.setpoint) if mark is not None]


def _png(frame: Frame, strip: Strip, signal: Signal, alert: Alert, calendar: Calendar) -> bytes:
    from PIL import Image, ImageDraw, ImageFont

    image = Image.new("P", (WIDTH, HEIGHT), PAPER)
    image.putpalette([part for colour in COLOURS for part in colour])
    pen, font = ImageDraw.Draw(image), ImageFont.load_default(14)
    _axes(pen, font, frame, signal, calendar)
    onset = frame.x(alert.began_us)
    pen.line([(onset, TOP), (onset, HEIGHT - BOTTOM)], ONSET, 2)
    side = "ra" if onset > WIDTH * 0.7 else "la"
    gap = -6 if side == "ra" else 6
    began = f"began {calendar.text(alert.began_us)[11:16]}"
    label = (onset + gap, TOP + 24)
    pen.rectangle(pen.textbbox(label, began, font, side), PAPER)
    pen.text(label, began, ONSET, font, side)
    _curve(pen, frame, strip)
    title = f"{alert.machine_name or alert.machine}: {signal.label()}"
    pen.text((LEFT, 7), title[:70], INK, font, "la")
    out = BytesIO()
    image.save(out, "PNG", optimize=True)
    return out.getvalue()


def _axes(
    pen: "ImageDraw.ImageDraw", font: Any, frame: Frame, signal: Signal, calendar: Calendar
) -> None:
    pen.rectangle([(LEFT, TOP), (WIDTH - RIGHT, HEIGHT - BOTTOM)], outline=QUIET)
    unit = shown(signal.unit)
    for value in _rungs(frame.low, frame.high):
        y = frame.y(value)
        pen.line([(LEFT - 4, y), (LEFT, y)], QUIET)
        pen.text((LEFT - 7, y), f"{number(value)}{unit}", INK, font, "rm")
    for name, mark in (("trip", signal.trip), ("set point", signal.setpoint)):
        if mark is not None and frame.low <= mark <= frame.high:
            y = frame.y(mark)
            for x in range(LEFT, WIDTH - RIGHT, 8):
                pen.line([(x, y), (x + 4, y)], QUIET)
            place, side = (y - 2, "rs") if y > TOP + 18 else (y + 3, "ra")
            pen.text((WIDTH - RIGHT - 4, place), name, INK, font, side)
    for share, side in ((0.0, "la"), (0.5, "ma"), (1.0, "ra")):
        at_us = frame.from_us + round(share * (frame.to_us - frame.from_us))
        text = calendar.text(at_us)[11:16]
        pen.text((frame.x(at_us), HEIGHT - BOTTOM + 6), text, INK, font, side)


def _rungs(low: float, high: float) -> list[float]:
    """Three to six round values inside."""
    rough = (high - low) / 4
    scale = 10.0 ** math.floor(math.log10(rough))
    step = next(f * scale for f in (1, 2, 2.5, 5, 10) if f * scale >= rough)
    first = math.ceil(low / step)
    return [n * step for n in range(first, math.floor(high / step) + 1)]


def _curve(pen: "ImageDraw.ImageDraw", frame: Frame, strip: Strip) -> None:
    """From least to greatest in each column, joined where two neighbours are known."""
    before: tuple[int, int] | None = None
    for index, (low, high) in enumerate(zip(strip.low.tolist(), strip.high.tolist(), strict=True)):
        at_us = strip.from_us + index * strip.step_us + strip.step_us // 2
        if low != low or not frame.from_us <= at_us <= frame.to_us:
            before = None
            continue
        x, y_low, y_high = frame.x(at_us), frame.y(low), frame.y(high)
        pen.line([(x, y_low), (x, y_high)], LINE, 2)
        if before:
            pen.line([before, (x, (y_low + y_high) // 2)], LINE, 2)
        before = (x, (y_low + y_high) // 2)


def _words(strip: Strip, signal: Signal, alert: Alert, frame: Frame, calendar: Calendar) -> str:
    unit = shown(signal.unit)

    def told(value: float) -> str:
        return f"{number(value)}{unit}"

    known: F64 = strip.high[np.isfinite(strip.high)]
    low, high, last = float(np.nanmin(strip.low)), float(np.nanmax(strip.high)), float(known[-1])
    clock = [calendar.text(at_us)[11:16] for at_us in (frame.from_us, frame.to_us, alert.began_us)]
    return (
        f"{signal.label()} from {clock[0]} to {clock[1]}: between {told(low)} and {told(high)}, "
        f"{told(last)} at the end; the alert began at {clock[2]}."
    )
