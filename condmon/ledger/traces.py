"""Strokes of the axes out of what was recorded, one laid over one before and its siblings.

What an axis needs along its way shows friction and play at their place. A stroke is compared with
the last one that was good (before an alert: the last before those that raised it) and with the
other axes' of the same time, whose change tells whether oil, cold or feed changed for all.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from markupsafe import Markup

from condmon.engine.checks.axis_trace import RUNNING
from condmon.engine.outputs import Alert
from condmon.engine.records import F64, I64, SECOND_US
from condmon.engine.settings import Calendar, Machine, Signal
from condmon.engine.strokes import Strokes, shape
from condmon.engine.words import number, shown
from condmon.trade.scale import axis_ends

KEPT = 4_000
"""Strokes of a signal that are kept, the newest: years at a few a day."""

NEAR_US = 2 * SECOND_US  # a stroke's end is sure so long after its last sample
WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 720, 150, 70, 44, 12, 18
_LINE = Markup('<path d="{}" fill="none" stroke="{}" stroke-width="{}"{}/>')
_TEXT = Markup('<text x="{}" y="{:.0f}"{}>{}</text>')


class Stroke(NamedTuple):
    """One stroke: when its end was sure, and its shape at equal shares of its way."""

    at_us: int
    shape: F64


class Laid(NamedTuple):
    """A stroke and what lies beside it; `before` is `called` so, None: there is none."""

    this: Stroke
    before: Stroke | None
    called: str
    siblings: list[tuple[Signal, Stroke, float | None]]  # with the share by which they changed


class Traces:
    """Collects samples of traces and gives their strokes."""

    def __init__(self, names: Sequence[str]) -> None:
        self._open = {name: Strokes() for name in names}
        self._last_us = dict.fromkeys(names, 0)
        self._strokes: dict[str, list[Stroke]] = {name: [] for name in names}

    @property
    def names(self) -> list[str]:
        """The signals that are collected."""
        return list(self._open)

    def add(self, name: str, at_us: I64, value: F64) -> None:
        """Take good samples; of what comes late, only what is newer than all before."""
        kept = np.flatnonzero(at_us > self._last_us[name])
        kept = kept[np.argsort(at_us[kept], kind="stable")]
        if len(kept):
            self._last_us[name] = int(at_us[kept[-1]])
            self._keep(name, self._open[name].push(at_us[kept], value[kept], 0))

    def of(self, name: str) -> list[Stroke]:
        """Strokes of a signal, the last one included, in order of time."""
        none = np.empty(0, np.int64), np.empty(0)
        if name in self._open:
            self._keep(name, self._open[name].push(*none, 2**62))
        return self._strokes.get(name, [])

    def _keep(self, name: str, ended: list[tuple[int, list[float]]]) -> None:
        held = self._strokes[name]
        held += [Stroke(at_us, shape(values)) for at_us, values in ended]
        del held[:-KEPT]


def laid(traces: Traces, machine: Machine, signal: Signal, alert: Alert | None) -> Laid | None:
    """The stroke that raised an alert, or the last one, and what lies beside it."""
    strokes = traces.of(signal.name)
    until_us = alert.began_us + NEAR_US if alert else 2**62
    place = _before(strokes, until_us)
    if place < 0:
        return None
    back = place - (RUNNING if alert else 1)
    this, before = strokes[place], strokes[back] if back >= 0 else None
    siblings = []
    for other in machine.signals:
        theirs = traces.of(other.name) if other is not signal and other.unit == signal.unit else []
        now = _before(theirs, this.at_us + NEAR_US)
        if now >= 0:
            then = _before(theirs, before.at_us + NEAR_US) if before else -1
            siblings.append((other, theirs[now], _change(theirs, now, then)))
    return Laid(this, before, "the last good one" if alert else "the one before", siblings)


def _before(strokes: Sequence[Stroke], until_us: int) -> int:
    """Place of the last stroke up to an instant, -1: there is none."""
    return sum(stroke.at_us <= until_us for stroke in strokes) - 1


def _change(strokes: Sequence[Stroke], now: int, then: int) -> float | None:
    before = float(np.abs(strokes[then].shape).mean()) if then >= 0 else 0.0
    return float(np.abs(strokes[now].shape).mean()) / before - 1 if before else None


def words(found: Laid, signal: Signal, calendar: Calendar) -> str:
    """What the figure shows, for people who do not see it too."""
    unit = shown(signal.unit)
    text = f"thick: the stroke of {calendar.text(found.this.at_us)}, {_ends(found.this)}{unit}"
    if found.before is None:
        text += "; there is none before it in this time"
    else:
        share = int(np.argmax(np.abs(found.this.shape - found.before.shape)))
        text += (
            f"; dashed: {found.called}, {calendar.text(found.before.at_us)}, "
            f"{_ends(found.before)}{unit}; they differ most at "
            f"{100 * share / (len(found.this.shape) - 1):.0f} % of the way"
        )
    for other, stroke, change in found.siblings:
        text += f"; thin: {_name(other)}, {_ends(stroke)}{unit}"
        text += "" if change is None else f", on the whole {round(100 * change):+d} % since then"
    return text


def _ends(stroke: Stroke) -> str:
    return f"{number(float(stroke.shape.min()), 4)} to {number(float(stroke.shape.max()), 4)}"


def overlay(found: Laid, signal: Signal) -> Markup:
    """The strokes over the way, as SVG that needs nothing else; line widths tell them apart."""
    lines = [
        found.this,
        *([found.before] if found.before else []),
        *(s for _, s, _ in found.siblings),
    ]
    low, high = (float(f([f(line.shape) for line in lines])) for f in (np.min, np.max))
    scale = axis_ends(low, high, None)
    inner = Markup("")
    for other, stroke, _ in found.siblings:
        inner += _LINE.format(_path(stroke, scale), "#8a939b", 0.9, "")
        place = Markup(' fill="#6b7278"')
        inner += _TEXT.format(WIDTH - RIGHT + 4, _y(stroke.shape[-1], scale) + 3, place,
                              _name(other))  # fmt: skip
    if found.before:
        dashed = Markup(' stroke-dasharray="5 3"')
        inner += _LINE.format(_path(found.before, scale), "#1f3a52", 1.4, dashed)
    inner += _LINE.format(_path(found.this, scale), "#a80f1f", 2.2, "")
    right, end = Markup(' text-anchor="end"'), HEIGHT - BOTTOM
    inner += _TEXT.format(LEFT - 5, TOP + 9, right, number(scale[1], 4) + shown(signal.unit))
    inner += _TEXT.format(LEFT - 5, end, right, number(scale[0], 4))
    inner += _LINE.format(f"M{LEFT} {end}H{WIDTH - RIGHT}", "#777", 0.6, "")
    inner += _TEXT.format(LEFT, HEIGHT - 4, "", "start of the stroke")
    inner += _TEXT.format(WIDTH - RIGHT, HEIGHT - 4, right, "its end")
    return Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {} {}" role="img" class="strokes"'
        ' font-family="sans-serif" font-size="10" fill="#333" aria-label="{} along its way">'
        '<rect width="100%" height="100%" fill="#fff"/>{}</svg>'
    ).format(WIDTH, HEIGHT, signal.label(), inner)


def _name(signal: Signal) -> str:
    return signal.axis.upper() if signal.axis else signal.name


def _y(value: float, scale: tuple[float, float]) -> float:
    return TOP + (scale[1] - value) / (scale[1] - scale[0]) * (HEIGHT - TOP - BOTTOM)


def _path(stroke: Stroke, scale: tuple[float, float]) -> str:
    step = (WIDTH - LEFT - RIGHT) / (len(stroke.shape) - 1)
    points = (f"{LEFT + n * step:.1f} {_y(v, scale):.1f}" for n, v in enumerate(stroke.shape))
    return "M" + "L".join(points)
