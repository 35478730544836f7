"""The verdict of a return-to-service run: pass, fail, cannot tell, with the figures. Pure."""

import math
from collections.abc import Sequence
from typing import Any, Literal, NamedTuple

from condmon.engine.trial.points import STEPS, Point
from condmon.engine.words import number, shown

Verdict = Literal["pass", "fail", "cannot tell"]
RANK: dict[Verdict, int] = {"pass": 0, "cannot tell": 1, "fail": 2}


class Figures(NamedTuple):
    """What is known of a point; NaN where it is not.

    `base` is of the baseline, `before` of the days before the work, `came` how many values the
    run has. `agreed` is the value after a step that a person confirmed.
    """

    now: float
    base: float
    before: float
    came: int
    agreed: float = math.nan


class Finding(NamedTuple):
    """The verdict on one point, with the figures and the reason."""

    key: str
    step: str
    signal: str
    words: str
    unit: str
    verdict: Verdict
    now: float
    base: float
    before: float
    why: str

    def sentence(self) -> str:
        """One line for people."""
        unit = shown(self.unit)
        told = [f"{number(self.now)}{unit}"] if self.now == self.now else []
        told += [f"baseline {number(self.base)}{unit}"] if self.base == self.base else []
        told += (
            [f"before the work {number(self.before)}{unit}"] if self.before == self.before else []
        )
        return f"{self.verdict}: {self.words}: {', '.join([*told, self.why])}"


def judged(point: Point, figures: Figures) -> Finding:
    """Limits first, then the baseline; what has neither cannot be told."""
    verdict, why = _judge(point, figures)
    return Finding(point.key, point.step, point.signal, point.words, point.unit, verdict,
                   figures.now, figures.base, figures.before, why)  # fmt: skip


def _judge(point: Point, f: Figures) -> tuple[Verdict, str]:
    unit = shown(point.unit)
    if f.now != f.now:
        return "cannot tell", f"{f.came} of {point.least} values came in the run"
    if point.high is not None and f.now > point.high:
        return "fail", f"above its limit of {number(point.high)}{unit}"
    if point.low is not None and f.now < point.low:
        return "fail", f"below its limit of {number(point.low)}{unit}"
    limited = point.high is not None or point.low is not None
    base = f.agreed if f.agreed == f.agreed else f.base
    if base != base:
        return ("pass", "within its limit, no baseline yet") if limited else (
            "cannot tell", "there is no baseline yet")  # fmt: skip
    apart = f.now - base
    room = max(point.times * abs(base), point.off)
    higher, lower = point.worse != "lower", point.worse != "higher"
    against = "the confirmed value" if f.agreed == f.agreed else "the baseline"
    if (higher and apart > room) or (lower and -apart > room):
        side = "above" if apart > 0 else "below"
        return "fail", f"{number(abs(apart))}{unit} {side} {against}, {number(room)}{unit} allowed"
    return "pass", f"within {number(room)}{unit} of {against}"


def overall(findings: Sequence[Finding]) -> Verdict:
    """The worst of all; cannot tell where nothing was found."""
    if not findings:
        return "cannot tell"
    return max((f.verdict for f in findings), key=lambda v: RANK[v])


def by_step(findings: Sequence[Finding]) -> dict[str, Verdict]:
    """The verdict of each step that the machine's signals can tell of, in the order of the run."""
    steps = {step: [f for f in findings if f.step == step] for step in STEPS}
    return {step: overall(found) for step, found in steps.items() if found}


def not_watched(findings: Sequence[Finding]) -> list[str]:
    """Steps of which no signal tells: a person has to look."""
    return [step for step in STEPS if not any(f.step == step for f in findings)]


def open_items(findings: Sequence[Finding]) -> list[str]:
    """What a person signs for: what failed, what cannot be told, what nobody watches."""
    ordered = sorted(findings, key=lambda f: -RANK[f.verdict])
    items = [f.sentence() for f in ordered if f.verdict != "pass"]
    return items + [f"not watched: {STEPS[step].title}" for step in not_watched(findings)]


def plain(finding: Finding) -> dict[str, Any]:
    """The finding as JSON can say it: None for what is not known, figures to six digits."""
    told = finding._asdict()
    for name in ("now", "base", "before"):
        value = told[name]
        told[name] = None if value != value else float(f"{value:.6g}")
    return told
