"""The heat a speed explains: a fitted model of one bearing, and its arithmetic. Pure.

    tau dT/dt = around + offset + gain (n / n_ref)^exponent - T
    around = supply_share * coolant supply + (1 - supply_share) * room

Units: K, Cel, s, 1/min. With the machine off there is no heat, around is the room and the lag is
`tau_off_s`; where that is not known the state is lost until the power is back. A second, slower
lag takes the share `slow_share` of the gain where the history asks for it. Friction heat grows with
about the 5/3 power of speed (Palmgren, second hand), less where warm oil thins, so the exponent is
fitted between 1.0 and 1.7. What the model cannot see: load, oil, preload and cooling. That is why
what remains (the residual) is worth watching.
"""

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from condmon.engine.records import F64

SPEED_MAX = 1e6  # /min; no spindle comes near
EXPONENT_MIN, EXPONENT_MAX = 1.0, 1.7
HELD_MAX_MIN = 10
"""Speed and temperatures around are taken to stay for so many minutes when they fall silent."""
Z95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class BearingModel:
    """Parameters of one bearing; `covariance` is of the parameters in `named`, in that order."""

    gain_k: float  # settled, at speed_ref
    speed_ref: float
    exponent: float
    tau_s: float
    supply_share: float
    offset_k: float
    sigma_k: float  # of one minute's residual on the fitted history
    tau_off_s: float | None = None
    slow_share: float = 0.0
    slow_tau_s: float = 0.0
    named: tuple[str, ...] = ()
    covariance: tuple[tuple[float, ...], ...] = ()

    def heat(self, speed: float) -> float:
        """Settled rise over `around` plus offset at a speed, in K."""
        return self.gain_k * math.pow(abs(speed) / self.speed_ref, self.exponent)

    def around(self, supply_c: float, room_c: float) -> float:
        """The temperature the bearing follows; NaN where a needed one is not known."""
        if self.supply_share == 0.0:
            return room_c
        if self.supply_share == 1.0:
            return supply_c
        return self.supply_share * supply_c + (1.0 - self.supply_share) * room_c

    def steady(self, speed: float, around_c: float) -> float:
        """Where the bearing settles at a speed."""
        return around_c + self.offset_k + self.heat(speed)

    def steady_se(self, speed: float) -> float:
        """Standard error of `steady`, from the covariance of gain, exponent and offset."""
        share = abs(speed) / self.speed_ref
        slopes = {
            "gain_k": math.pow(share, self.exponent),
            "exponent": self.heat(speed) * math.log(share) if share > 0 else 0.0,
            "offset_k": 1.0,
        }
        use = [(i, slopes[name]) for i, name in enumerate(self.named) if name in slopes]
        total = math.fsum(a * b * self.covariance[i][j] for i, a in use for j, b in use)
        return math.sqrt(max(total, 0.0))

    def se(self, name: str) -> float:
        """Standard error of a parameter, NaN where it was not fitted."""
        if name not in self.named:
            return math.nan
        place = self.named.index(name)
        return math.sqrt(self.covariance[place][place])

    def lag_s(self) -> float:
        """How long one time constant takes, the slower one where there are two."""
        return max(self.tau_s, self.slow_tau_s)


class Reach(NamedTuple):
    """Minutes until a temperature is reached; `soonest` and `latest` bound it at 95 %."""

    minutes: float
    soonest: float
    latest: float


def minutes_to(
    model: BearingModel, now_c: float, steady_c: float, goal_c: float, se: float
) -> Reach:
    """When a bearing on its way to `steady_c` passes `goal_c`; inf where it never does.

    The interval comes from the uncertainty `se` of the steady temperature; the lag's own is small
    beside it.
    """
    return Reach(
        _minutes(model, now_c, steady_c, goal_c),
        _minutes(model, now_c, steady_c + Z95 * se, goal_c),
        _minutes(model, now_c, steady_c - Z95 * se, goal_c),
    )


def _minutes(model: BearingModel, now_c: float, steady_c: float, goal_c: float) -> float:
    if now_c >= goal_c:
        return 0.0
    if not steady_c > goal_c:
        return math.inf
    return model.tau_s / 60.0 * math.log((steady_c - now_c) / (steady_c - goal_c))


def highest_speed(
    model: BearingModel,
    around_c: float,
    trip_c: float,
    margin_k: float = 0.0,
    excess_k: float = 0.0,
) -> float:
    """The speed at which the bearing settles `margin_k` under its trip, 0 where none does.

    SPEED_MAX where it does so at any speed that a spindle can turn at.
    `excess_k` is what it runs hotter than the model at the present speed.
    """
    room_k = trip_c - margin_k - around_c - model.offset_k - max(excess_k, 0.0)
    if room_k <= 0.0 or model.gain_k <= 0.0:
        return 0.0
    # compared first: of a bearing that hardly heats the quotient itself may be beyond all numbers
    if room_k / model.gain_k >= math.pow(SPEED_MAX / model.speed_ref, model.exponent):
        return SPEED_MAX
    return model.speed_ref * math.pow(room_k / model.gain_k, 1.0 / model.exponent)


class Minute(NamedTuple):
    """What is known of one minute, NaN where it is not.

    `heat` is the mean of (n / n_ref)^exponent, `off` the share of the minute without power.
    """

    minute: int
    temp_c: float
    room_c: float
    supply_c: float
    heat: float
    off: float


class Seen(NamedTuple):
    """What the model makes of a minute; NaN where it cannot tell."""

    expected_c: float
    residual_k: float
    around_c: float
    heat: float


UNSEEN = Seen(math.nan, math.nan, math.nan, math.nan)


class Runner:
    """Follows one bearing minute by minute: plain steps with carried state, so cuts change nothing.

    The state starts at the measured temperature and is lost when speed or surroundings are unknown
    for longer than HELD_MAX_MIN.
    """

    def __init__(self, model: BearingModel) -> None:
        self.model = model
        self._minute = -1
        self._fast = self._slow = math.nan
        self._held = [math.nan, math.nan, math.nan]  # room, supply, heat
        self._silent = 0  # minutes for which one of them is held

    def step(self, now: Minute) -> Seen:
        """The next minute; minutes that are left out were not watched."""
        skipped = now.minute - self._minute - 1
        self._minute = now.minute
        if skipped > HELD_MAX_MIN:
            self._forget()
        elif skipped > 0 and not math.isnan(self._fast):
            for _ in range(skipped):
                self._silent += 1
                self._move(*self._forcing(off=False))
        around, heat = self._inputs(now)
        off = now.off > 0.5
        if self._silent > HELD_MAX_MIN or math.isnan(around + heat):
            self._forget()
            return UNSEEN
        if off and self.model.tau_off_s is None:
            self._fast = math.nan
            return UNSEEN
        forcing = self._forcing(off=off)
        if math.isnan(self._fast):
            if math.isnan(now.temp_c):
                return UNSEEN
            self._start(now.temp_c, around)
        expected = self._move(*forcing)
        return Seen(expected, now.temp_c - expected, around, heat)

    def _inputs(self, now: Minute) -> tuple[float, float]:
        """Around and heat of this minute, held where they fell silent."""
        off = now.off > 0.5
        share, held = self.model.supply_share, self._held
        room, supply, heat = now.room_c, now.supply_c, 0.0 if off else now.heat
        no_room, no_supply, no_heat = room != room, supply != supply, heat != heat
        silent = no_heat or (no_room and share < 1.0) or (no_supply and share > 0.0 and not off)
        self._silent = self._silent + 1 if silent else 0
        room, supply = held[0] if no_room else room, held[1] if no_supply else supply
        heat = held[2] if no_heat else heat
        self._held = [room, supply, heat]
        if off and room == room:
            return room, heat
        return self.model.around(supply, room), heat

    def _forcing(self, *, off: bool) -> tuple[float, float, float, float]:
        """What fast and slow part follow, and their lags."""
        room, supply, heat = self._held
        m = self.model
        around = room if off and not math.isnan(room) else m.around(supply, room)
        tau = (m.tau_off_s or m.tau_s) if off else m.tau_s
        rise = 0.0 if off else m.gain_k * heat
        return (
            around + m.offset_k + (1.0 - m.slow_share) * rise,
            m.slow_share * rise,
            tau,
            m.slow_tau_s,
        )

    def _start(self, temp_c: float, around: float) -> None:
        excess = temp_c - around - self.model.offset_k
        self._slow = self.model.slow_share * max(excess, 0.0)
        self._fast = temp_c - self._slow

    def _move(self, fast: float, slow: float, tau_s: float, slow_tau_s: float) -> float:
        """One exact step of a minute under steady forcing; the mean over that minute."""
        mean, self._fast = _relax(self._fast, fast, tau_s)
        if self.model.slow_share:
            slow_mean, self._slow = _relax(self._slow, slow, slow_tau_s)
            mean += slow_mean
        return mean

    def _forget(self) -> None:
        self._fast = self._slow = math.nan

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return [self._minute, self._fast, self._slow, self._silent, *self._held]

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        self._minute, self._fast, self._slow, self._silent, *self._held = state


def _relax(value: float, goal: float, tau_s: float) -> tuple[float, float]:
    """Mean over a minute and value at its end."""
    left = math.exp(-60.0 / tau_s)
    share = tau_s / 60.0 * (1.0 - left)
    return goal + (value - goal) * share, goal + (value - goal) * left


def heat_column(speed: F64, model: BearingModel) -> F64:
    """(n / n_ref)^exponent of each tick, shape (n,), NaN where the speed is unknown."""
    out: F64 = np.power(np.abs(speed) / model.speed_ref, model.exponent)
    return out
