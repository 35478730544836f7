"""Learns the heat a speed explains: keeps minutes while the engine runs, fits, tells in words."""

from collections.abc import Sequence

import numpy as np

from condmon import __version__
from condmon.engine.bearing_minutes import Keeper
from condmon.engine.checks.base import Check
from condmon.engine.checks.bearing_hot import BearingHot
from condmon.engine.checks.bearing_near_trip import BearingNearTrip
from condmon.engine.checks.bearing_warming import BearingWarming
from condmon.engine.engine import Engine
from condmon.engine.minutes import MINUTE_S
from condmon.engine.records import SECOND_US
from condmon.engine.settings import Adjust, Machine, Settings, Signal
from condmon.engine.thermal import BearingModel
from condmon.engine.thermal_file import KIND, MachineModel
from condmon.engine.thermal_fit import FitRefused, fit
from condmon.engine.thermal_trend import Trend, Turn, Wanted, trend_of
from condmon.engine.thermal_words import model_words, trend_words
from condmon.learning.child import Learned


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

    def learn(
        self, machine: Machine, settings: Settings, turns: Sequence[Turn] = ()
    ) -> Learned | None:
        """The model of a machine, or why there is none; None where it has no bearing to watch.

        `turns`: what may have changed it; what changed since the last one is told.
        """
        if machine.id not in self._found:
            return None
        models: dict[str, BearingModel] = {}
        refused: dict[str, str] = {}
        trends: dict[str, Trend] = {}
        words, spans = [], []
        for bearing, keeper in self._found[machine.id]:
            history = keeper.history()
            try:
                model = fit(history)
            except FitRefused as refusal:
                refused[bearing.name] = str(refusal)
                words.append(f"{bearing.label()}: no model: {refusal}")
                continue
            trend = trend_of(model, history, wanted(machine, bearing), turns)
            models[bearing.name], trends[bearing.name] = model, trend
            told = [*model_words(model), *trend_words(model, trend, settings.calendar)]
            words.append(f"{bearing.label()}: {', '.join(told)}")
            spans += [int(history.minute[0]), int(history.minute[-1]) + 1]
        text = f"heat of {machine.name}: " + "; ".join(words)
        if not models:
            return Learned(machine.id, KIND, "", "", text)
        minute_us = MINUTE_S * SECOND_US
        made = MachineModel(
            machine.id, models, refused, min(spans) * minute_us, max(spans) * minute_us,
            {"condmon": __version__, "numpy": np.__version__}, trends,
        )  # fmt: skip
        return Learned(machine.id, KIND, made.id, made.content(), text)


def wanted(machine: Machine, bearing: Signal) -> Wanted | None:
    """The speed the shop needs and the margin it must keep; None where no trip is known."""
    if bearing.trip is None:
        return None
    speed = _figure(machine, BearingWarming, "speed_needed")
    return Wanted(speed, float(bearing.trip), _figure(machine, BearingNearTrip, "margin"))


def _figure(machine: Machine, check: type[Check], name: str) -> float:
    adjust = machine.adjust.get(check.id, Adjust())
    return adjust.figures.get(name, check.figures[name])
