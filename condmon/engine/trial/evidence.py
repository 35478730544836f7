"""What speaks for a visit, and which spares to have at hand, each with its reason. Pure.

Spares follow from what shows wear: the checks that are raised and the points that move. The list
is common practice, no source, in the trade's words; the machine's own parts list decides.
"""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from condmon.engine.outputs import Alert
from condmon.engine.settings import Machine
from condmon.engine.trial.points import Point
from condmon.engine.words import changed, number, shown

EVIDENCE_MAX, SPARES_MAX = 40, 30

SPARES: dict[str, tuple[str, ...]] = {
    "hydraulic-sagging": ("hydraulic unit, or its pump and seals", "hydraulic accumulator"),
    "axis-unlike": ("ball screw bearing block of the {axis} axis", "wipers of the {axis} axis"),
    "axis-zone": ("wipers of the {axis} axis", "way cover parts of the {axis} axis"),
    "axis-trace": ("wipers of the {axis} axis",),
    "oil-missing": ("oil metering valve of the spindle", "oil line filter"),
    "air-missing": ("spindle air valve", "filter of the air unit"),
    "air-while-off": ("spindle air valve",),
    "air-leak": ("air fittings and hose", "seals of the air unit"),
    "air-bleed-down": ("air fittings and hose", "check valve of the air unit"),
    "air-down": ("filter of the air unit",),
    "bearing-hot": ("spindle, or a place in its maker's exchange",),
    "bearing-warming": ("spindle, or a place in its maker's exchange",),
    "bearing-near-trip": ("spindle, or a place in its maker's exchange",),
    "vibration-risen": ("balanced test holder", "drawbar springs"),
    "coolant-off-set-point": ("filter mats of the chiller", "coolant pump of the chiller"),
    "chiller-short-cycling": ("temperature sensor of the chiller",),
    "coolant-falling": ("coolant hoses and clamps", "seals of the coolant pump"),
    "coolant-low": ("coolant concentrate",),
    "way-oil-falling": ("way oil line and fittings",),
    "way-oil-unused": ("way oil pump or distributor", "way oil filter"),
    "door-latch": ("door latch and striker", "door switch"),
    "probe-shift": ("stylus of the probe",),
    "state-contradicts": ("switch or valve of {signal}",),
    "sensor-silent": ("sensor and cable of {signal}",),
    "sensor-unusable": ("sensor and cable of {signal}",),
    "sensor-stuck": ("sensor and cable of {signal}",),
    "sensor-noisy": ("sensor and cable of {signal}",),
    "sensor-spikes": ("sensor and cable of {signal}",),
    "sensor-drift": ("sensor and cable of {signal}",),
}

_OF_POINT = (  # how a point's key begins -> the check that watches the same
    ("leaks/hydraulic", "hydraulic-sagging"),
    ("leaks/air", "air-leak"),
    ("leaks/coolant", "coolant-falling"),
    ("air/oil", "oil-missing"),
    ("air/", "air-missing"),
    ("axes/", "axis-unlike"),
    ("door/", "door-latch"),
    ("coolant/", "coolant-off-set-point"),
    ("probe/", "probe-shift"),
)


class Line(NamedTuple):
    """One piece of evidence: what kind, and the sentence."""

    kind: str  # open alert, unexplained, trend
    text: str


class Spare(NamedTuple):
    """A part worth having at hand, and why."""

    part: str
    why: str


Moved = tuple[Point, float, float]
"""A point, its baseline and what it is now."""


def evidence(
    open_alerts: Iterable[Alert], unexplained: Iterable[Alert], drifts: Sequence[Moved]
) -> list[Line]:
    """Everything that speaks for a visit: what is open, what nobody explained, what moves."""
    lines = [Line("open alert", f"{a.title}. {a.what}") for a in open_alerts]
    lines += [Line("unexplained", f"{a.title}. {a.what}") for a in unexplained]
    lines += [Line("trend", _moved(*one)) for one in drifts]
    return lines[:EVIDENCE_MAX]


def _moved(point: Point, base: float, now: float) -> str:
    unit = shown(point.unit)
    share = f" ({changed(now / base)})" if base else ""
    return f"{point.words}: baseline {number(base)}{unit}, now {number(now)}{unit}{share}"


def spares(machine: Machine, alerts: Iterable[Alert], drifts: Sequence[Moved]) -> list[Spare]:
    """Parts for what shows wear, each once, with the first reason that was found."""
    found: dict[str, str] = {}
    for alert in alerts:
        for part in _parts(machine, alert.check, alert.signals[:1]):
            found.setdefault(part, f"{alert.title}. {alert.what}")
    for point, base, now in drifts:
        for part in _parts(machine, _check_of(machine, point), (point.signal,)):
            found.setdefault(part, _moved(point, base, now))
    return [Spare(part, why) for part, why in found.items()][:SPARES_MAX]


def _check_of(machine: Machine, point: Point) -> str:
    if point.step in {"speed", "cold"}:
        roles = {s.name: s.role for s in machine.signals}
        vibrates = roles.get(point.signal) == "vibration_velocity"
        return "vibration-risen" if vibrates else "bearing-warming"
    return next((check for key, check in _OF_POINT if point.key.startswith(key)), "")


def _parts(machine: Machine, check: str, signals: Sequence[str]) -> list[str]:
    named = {s.name: s for s in machine.signals}
    signal = next((named[name] for name in signals if name in named), None)
    axis = (signal.axis or signal.name).upper() if signal else "moving"
    label = signal.label() if signal else "it"
    return [part.format(axis=axis, signal=label) for part in SPARES.get(check, ())]
