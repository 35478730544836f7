"""Words for people and from people: durations, near matches, numbers, spans. Pure."""

import difflib
import math
import re
from collections.abc import Iterable

_UNITS = {"ms": 0.001, "s": 1.0, "min": 60.0, "h": 3600.0, "d": 86400.0}
_DURATION = re.compile(r"\s*(\d{1,9}(?:\.\d{1,6})?)\s*(ms|s|min|h|d)\s*", re.ASCII)


def parse_duration(text: str) -> float | None:
    """Seconds of a text such as "60 s", "10 min", "2 h", "14 d"; None if it is no such text."""
    match = _DURATION.fullmatch(text)
    return float(match[1]) * _UNITS[match[2]] if match else None


def nearest(word: str, known: Iterable[str]) -> str:
    """The end of a sentence that offers the nearest known word, or nothing."""
    close = difflib.get_close_matches(word, list(known), 1, 0.6)
    return f'; did you mean "{close[0]}"?' if close else ""


def span(seconds: float) -> str:
    """A duration as people say it: 45 s, 12 min, 5 h 55 min, 3 d 4 h."""
    if not math.isfinite(seconds):
        return "an unknown time"
    whole = round(seconds)
    if whole < 120:
        return f"{whole} s"
    minutes = whole // 60
    if minutes < 120:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"


def number(value: float, digits: int = 3) -> str:
    """A figure as a shop writes it: no exponent, no tail of noise digits."""
    if value != value:  # NaN
        return "unknown"
    if abs(value) >= 999.5:
        return f"{value:,.0f}"
    return f"{value:.{digits}g}" if abs(value) >= 0.01 or value == 0 else f"{value:.4f}"


def changed(ratio: float) -> str:
    """By how much something is more or less than it was: +12 %, -3 %, 0 %."""
    whole = round(100 * (ratio - 1))
    return f"{whole:+d} %" if whole else "0 %"


_SHOWN = {
    "Cel": "°C",
    "[degF]": "°F",
    "1": "",
    "/min": "/min",
    "%": "%",
    "[in_i]": "in",
    "[psi]": "psi",
    "[cft_i]/min": "ft³/min",
    "m3/h": "m³/h",
    "m2/s": "m²/s",
}


def shown(unit: str) -> str:
    """A UCUM code in the style of a shop, with a blank before it."""
    text = _SHOWN.get(unit, unit)
    return f" {text}" if text else ""
