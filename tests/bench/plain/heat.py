"""Both fitted models: the heat of each bearing, and the odd pattern; asked once a minute."""

from math import inf, isnan, log

import numpy as np

from condmon.engine.duty import names
from condmon.engine.frames import Frames
from condmon.engine.levels import Levels, Window
from condmon.engine.minutely import Minutely
from condmon.engine.oddmodel import read_model
from condmon.engine.oddness import Detector
from condmon.engine.thermal import Minute, Runner
from condmon.engine.warming import SCATTER_TIMES, warmer
from tests.bench.plain.senses import NAN, Latch

ROW = tuple[int, float, float, float, float]


class Bearing:
    """Near its trip, hotter than its speed explains, warmer over weeks."""

    def __init__(self, bearing, of, model, raised):
        self.bearing, self.model, self.trip = bearing, model, float(bearing.signal.trip)
        self.room, self.supply = of("room_temperature")[0], of("coolant_supply_temperature")[0]
        self.speed, self.power = of("spindle_speed")[0], of("power")[0]
        self.runner, self.window, self.levels = Runner(model), Window(), Levels()
        self.near = Latch("bearing-near-trip", 60, 120, raised)
        self.hot = Latch("bearing-hot", 0, 0, raised)
        self.warming = [Latch("bearing-warming", 0, 0, raised) for _ in range(2)]
        self.is_hot, self.count, self.rise = False, 0, None
        self.heats, self.steady, self.present = [], NAN, NAN
        self.scale = 1.0 / model.speed_ref
        self._begin()

    def _begin(self):
        self.turns, self.turn_s, self.heat, self.off = 0.0, 0, 0.0, 0

    def close(self, now):
        """A second is over; the minute's sums first, as it may be the last of one."""
        if self.power.now < 0.5:
            self.off += 1
            speed = 0.0
        else:
            speed = abs(self.speed.now)
        if speed == speed:
            self.turns += speed
            self.turn_s += 1
            self.heat += (speed * self.scale) ** self.model.exponent if speed else 0.0
        if now % 60 == 59:
            self._minute(now)
        temp = self.bearing.now
        if temp != temp:
            self.near.push(now, None, None)
        else:
            rising = self.steady > self.trip + 1.0 and self._left(temp) <= 30.0
            near, eased = temp >= self.trip - 3.0, temp >= self.trip - 4.0
            self.near.push(now, near or rising, eased or rising)
        self.hot.push(now, self.is_hot, self.is_hot)
        for latch, limit in zip(self.warming, (2.0, 4.0), strict=True):
            on = self.rise is not None and self.rise[0] >= limit and self.rise[1]
            latch.push(now, on, self.rise is not None and self.rise[0] >= limit - 1.0)

    def _left(self, temp):
        """Minutes to the trip on the way to the steady temperature."""
        if temp >= self.trip:
            return 0.0
        if self.steady <= self.trip:
            return inf
        return self.model.tau_s / 60.0 * log((self.steady - temp) / (self.steady - self.trip))

    def _minute(self, now):
        """Step the model, and take settled levels for the comparison over weeks."""
        minute, known = now // 60, self.turn_s >= 30
        speed, heat = (self.turns / self.turn_s, self.heat / self.turn_s) if known else (NAN, NAN)
        temp, room, supply = self.bearing.mean, self.room.mean, self.supply.mean
        seen = self.runner.step(Minute(minute, temp, room, supply, heat, self.off / 60))
        self._judge_hot(seen)
        self._ahead(seen)
        steady = self.window.push(Told(minute, temp, room, supply, speed))
        closed = [level.close_before(minute) for level in self.levels.levels]
        if steady and steady.settled:
            self.levels.at(steady.speed).add(minute, steady.now)
        if any(closed):
            share = 1.0 - self.model.supply_share
            found = [w for level in self.levels.levels if (w := warmer(level, share))]
            worst = max(found, key=lambda one: one.rise_k, default=None)
            self.rise = worst and (worst.rise_k, worst.rise_k >= SCATTER_TIMES * worst.scatter_k)
        self._begin()

    def _judge_hot(self, seen):
        if isnan(seen.residual_k) or not seen.heat > 0.0:
            return
        limit = max(3.0, 4.0 * self.model.sigma_k)
        other = seen.residual_k < limit - 1.0 if self.is_hot else seen.residual_k >= limit
        self.count = self.count + 1 if other else 0
        if self.count >= 20:
            self.is_hot, self.count = not self.is_hot, 0

    def _ahead(self, seen):
        """Where the heat of the last five minutes leads."""
        self.heats = [] if isnan(seen.heat) else [*self.heats, seen.heat][-5:]
        self.steady = NAN
        if len(self.heats) == 5 and not isnan(seen.residual_k):
            base = seen.around_c + self.model.offset_k + max(seen.residual_k, 0.0)
            self.steady = base + self.model.gain_k * sum(self.heats) / 5


class Told:
    """A minute as `levels.Window` takes it."""

    __slots__ = ("minute", "room_c", "speed", "supply_c", "temp_c")

    def __init__(self, minute, temp_c, room_c, supply_c, speed):
        self.minute, self.temp_c, self.room_c = minute, temp_c, room_c
        self.supply_c, self.speed = supply_c, speed


class Odd:
    """The odd pattern: features of a minute into the detector of its duty."""

    def __init__(self, machine, senses, content, raised):
        self.senses, self.frames, model = senses, Frames(machine), read_model(content)
        self.duties = names(machine)
        self.detectors = {
            name: Detector(duty.usual, watcher=duty.watcher, threshold=duty.threshold)
            for name, duty in model.duties.items()
        }
        self.latch = Latch("odd-pattern", 0, 60, raised)
        self.before, self.on = None, None

    def minute(self, minute, duty):
        """A minute is over; `duty` is None where it changed."""
        columns = [
            np.array([[getattr(s, name) for s in self.senses]])
            for name in ("mean", "min_low", "min_high", "now")
        ]
        code = self.duties.index(duty) if duty is not None else -1
        part = Minutely(
            np.array([minute]), np.array([59]), *columns, None, None, np.array([code])
        )  # fmt: skip
        frame = self.frames.push(part)
        detector = self.detectors.get(duty)
        if detector and duty != self.before:
            detector.restart()
        self.before, self.on = duty, None
        if detector:
            seen = detector.push(frame)
            known = seen.score[0] == seen.score[0]
            self.on = True if seen.odd[0] else False if known else None
        others = any(d.episode.open for name, d in self.detectors.items() if name != duty)
        if others and not self.on:
            self.on = None

    def close(self, now):
        """A second is over."""
        self.latch.push(now, self.on, self.on)
