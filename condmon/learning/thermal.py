"""Learns the heat a speed explains: keeps minutes while the engine runs, fits, tells in words."""

import math
from typing import NamedTuple

import numpy as np

from condmon import __version__
from condmon.engine.bearing_minutes import Keeper
from condmon.engine.checks.bearing_hot import BearingHot
from condmon.engine.engine import Engine
from condmon.engine.minutes import MINUTE_S
from condmon.engine.records import SECOND_US
from condmon.engine.settings import Machine, Settings, Signal
from condmon.engine.thermal import BearingModel, highest_speed
from condmon.engine.thermal_file import KIND, MachineModel
from condmon.engine.thermal_fit import FitRefused, fit
from condmon.engine.thermal_growth import (
    Change,
    DayGain,
    Growth,
    HeldUntil,
    change_since,
    day_gains,
    growth,
    held_until,
    week_gains,
)
from condmon.engine.thermal_lags import History
from condmon.engine.words import number
from condmon.learning.child import Learned

MARGIN_K = 3.0
DAY_US = 86_400 * SECOND_US


class Found(NamedTuple):
    """What a bearing's history gave."""

    model: BearingModel
    days: list[DayGain]
    growth: Growth | None
    held: HeldUntil | None
    since: Change | None
    around_c: float  # the hottest surroundings but for one minute in twenty


class Keepers:
    """The kept minutes of every bearing whose heat is watched."""

    def __init__(self) -> None:
        self._found: dict[str, list[tuple[Signal, Keeper]]] = {}

    def attach(self, engine: Engine) -> None:
        """Let the bearing checks of an engine keep their minutes."""
        for watch in engine.watches:
            for check in watch.checks:
                if isinstance(check, BearingHot):
                    check.keeper = Keeper(watch.machine, check.signals[0])
                    kept = self._found.setdefault(watch.machine.id, [])
                    kept.append((check.signals[0], check.keeper))

    def learn(self, machine: Machine, settings: Settings, since_us: int = 0) -> Learned | None:
        """The model of a machine, or why there is none; None where it has no bearing to watch.

        `since_us`: also tell what changed since this instant (a service, a hard stop).
        """
        if machine.id not in self._found:
            return None
        models: dict[str, BearingModel] = {}
        refused: dict[str, str] = {}
        weeks: dict[str, list[list[float]]] = {}
        words, spans = [], []
        for bearing, keeper in self._found[machine.id]:
            history = keeper.history()
            try:
                found = look(history, bearing, since_us)
            except FitRefused as refusal:
                refused[bearing.name] = str(refusal)
                words.append(f"{bearing.label()}: no model: {refusal}")
                continue
            models[bearing.name] = found.model
            weeks[bearing.name] = [[float(x) for x in week] for week in week_gains(found.days)]
            words.append(f"{bearing.label()}: {told(found, bearing, settings)}")
            spans += [int(history.minute[0]), int(history.minute[-1]) + 1]
        text = f"heat of {machine.name}: " + "; ".join(words)
        if not models:
            return Learned(machine.id, KIND, "", "", text)
        minute_us = MINUTE_S * SECOND_US
        made = MachineModel(
            machine.id, models, refused, min(spans) * minute_us, max(spans) * minute_us,
            {"condmon": __version__, "numpy": np.__version__}, weeks,
        )  # fmt: skip
        return Learned(machine.id, KIND, made.id, made.content(), text)


def look(history: History, bearing: Signal, since_us: int = 0) -> Found:
    """Fit a bearing and look at its days. Raises FitRefused."""
    model = fit(history)
    days = day_gains(model, history)
    around = [
        model.around(supply, room)
        for supply, room in zip(history.supply_c.tolist(), history.room_c.tolist(), strict=True)
    ]
    hottest = float(np.nanquantile(around, 0.95))
    held = None
    if bearing.trip is not None:
        held = held_until(model, days, model.speed_ref, hottest, bearing.trip, MARGIN_K)
    since = change_since(days, since_us // DAY_US) if since_us else None
    return Found(model, days, growth(days), held, since, hottest)


def told(found: Found, bearing: Signal, settings: Settings) -> str:
    """What was found, in words of the shop."""
    m = found.model
    gain, bend = 2 * m.se("gain_k"), 2 * m.se("exponent")
    parts = [
        f"at {number(m.speed_ref)} /min it settles {m.gain_k:.1f} K (+-{gain:.2f}) over "
        + _around(m),
        f"its heat grows as speed to the power of {m.exponent:.2f} (+-{bend:.2f})",
        f"lag {m.tau_s / 60:.0f} min",
        f"{m.sigma_k:.2f} K are left unexplained",
    ]
    if m.slow_share:
        parts.append(
            f"{100 * m.slow_share:.0f} % of the heat comes with a slow lag of "
            f"{m.slow_tau_s / 3600:.1f} h"
        )
    if bearing.trip is not None:
        speed = math.floor(highest_speed(m, found.around_c, bearing.trip, MARGIN_K) / 100) * 100
        parts.append(
            f"up to {number(float(speed))} /min it stays {MARGIN_K:g} K under its trip all week, "
            f"with {found.around_c:.0f} °C around it"
        )
    parts.append(_growth(found))
    if found.since:
        s = found.since
        parts.append(
            f"since then its heat changed by {s.change_k:+.2f} K ({s.low:+.2f} to {s.high:+.2f})"
        )
    if found.held:
        parts.append(_held(found, settings))
    return ", ".join(part for part in parts if part)


def _around(model: BearingModel) -> str:
    if model.supply_share >= 0.995:
        return "the coolant"
    if model.supply_share <= 0.005:
        return "the room"
    share = 100 * model.supply_share
    return f"{share:.0f} % coolant and {100 - share:.0f} % room"


def _growth(found: Found) -> str:
    trend = found.growth
    if trend is None:
        return f"{len(found.days)} days are too few for a trend"
    interval = f"({trend.low:+.2f} to {trend.high:+.2f})"
    if not trend.claimed:
        return f"no trend over {len(found.days)} days {interval} K a week"
    return f"it changes by {trend.per_week_k:+.2f} K a week {interval}"


def _held(found: Found, settings: Settings) -> str:
    """Until which date the speed of the present work is held."""
    held, speed = found.held, number(found.model.speed_ref)
    assert held is not None
    if held.days <= 0.0:
        return f"{speed} /min no longer stays {MARGIN_K:g} K under its trip on a warm day"
    if held.days == math.inf:
        return (
            f"{speed} /min is held for the next {held.horizon:.0f} days; further ahead is unknown"
        )
    last = found.days[-1].day

    def date(days: float) -> str:
        return settings.calendar.text(round((last + days) * DAY_US))[:10]

    latest = date(held.latest) if held.latest < math.inf else "not in sight"
    return (
        f"{speed} /min would no longer stay {MARGIN_K:g} K under its trip from about "
        f"{date(held.days)} on ({date(held.soonest)} to {latest})"
    )
