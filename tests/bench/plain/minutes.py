"""The checks of hours and days: learn from each minute, judge every ten of them."""

from itertools import pairwise
from math import sqrt

from condmon.engine.checks import air_bleed_down, air_leak, hydraulic_sagging, sensor_noisy
from condmon.engine.checks.sensor_drift import STAND_MIN
from condmon.engine.checks.sensors_swapped import ALIKE
from condmon.engine.checks.vibration_risen import BAND, STEADY
from condmon.engine.oiluse import OilUse
from condmon.engine.past import READY_DAYS, middle
from tests.bench.plain.senses import NAN, Kept, Latch

SIGMA = 0.6745 * sqrt(6)


class Slow:
    """A verdict that holds until the next; None: not known yet."""

    def __init__(self, check, hold, release, raised):
        self.latch, self.verdict = Latch(check, hold, release, raised), None

    def minute(self, minute, duty):
        """A minute is over; judge at every tenth."""
        self.learn(minute, duty)
        if minute % 10 == 9:
            self.verdict = self.judge()

    def close(self, now):
        """A second is over."""
        self.latch.push(now, self.verdict, self.verdict)


class Noisy(Slow):
    """The scatter of one reading from minute to minute."""

    def __init__(self, sense, raised):
        super().__init__("sensor-noisy", 600, 7200, raised)
        self.sense, self.two, self.one = sense, NAN, NAN
        self.past = Kept(least=20, recent=40, base=READY_DAYS)

    def learn(self, minute, duty):
        """The second difference of the last values."""
        value = self.sense.now
        self.past.one(minute, abs(value - 2 * self.one + self.two) / SIGMA)
        self.two, self.one = self.one, value

    def judge(self):
        """Against its usual scatter."""
        now, usual = self.past.now(), self.past.usual()
        if now != now or usual != usual:
            return None
        least = sensor_noisy.LEAST.get(self.sense.signal.unit, 0.02 * abs(self.one))
        return now > max(usual * 4.0, least)


class Vibration(Slow):
    """Vibration at a steady speed, band by band."""

    def __init__(self, sense, speed, raised):
        super().__init__("vibration-risen", 600, 3600, raised)
        self.sense, self.speed, self.pasts, self.band = sense, speed, {}, None

    def learn(self, minute, duty):
        """A minute of steady speed, into its band."""
        low, high = self.speed.min_low, self.speed.min_high
        if low > 50 and high - low <= STEADY * high:
            self.band = self.speed.mean // BAND
            if self.band not in self.pasts:
                self.pasts[self.band] = Kept(least=15, recent=10)
            self.pasts[self.band].one(minute, self.sense.mean)

    def judge(self):
        """Against the past of the band in which it turned last."""
        if self.band is None:
            return self.verdict
        past = self.pasts[self.band]
        now, usual = past.now(), past.usual()
        if now != now or usual != usual:
            return self.verdict
        return now > usual * 1.6 and now > usual + 0.5


class Spikes(Slow):
    """Single wild values, many an hour."""

    def __init__(self, sense, raised):
        super().__init__("sensor-spikes", 0, 3600, raised)
        self.sense, self.wild, self.tens = sense, 0, []

    def learn(self, minute, duty):
        """Count what was heard and what was wild in the last six tens."""
        if minute % 10 == 0 or not self.tens:
            self.tens = [*self.tens, [0, 0]][-6:]
        self.tens[-1][0] += self.sense.min_fresh
        self.tens[-1][1] += self.wild
        self.wild = 0

    def judge(self):
        """Ten an hour, each among usable ones."""
        many = sum(wild for _, wild in self.tens) >= 10
        return many and all(heard >= 2 * wild for heard, wild in self.tens)


class Pair(Slow):
    """Two like sensors: swapped while turning, or apart after long standing."""

    def __init__(self, one, two, speed, power, raised, *, swapped):
        name, hold = ("sensors-swapped", 1200) if swapped else ("sensor-drift", 600)
        super().__init__(name, hold, 7200, raised)
        self.one, self.two, self.speed, self.power = one, two, speed, power
        self.swapped, self.stood = swapped, 0
        least = 60 if swapped else 20
        base = {} if swapped else {"base": READY_DAYS}
        self.past = Kept(least=least, recent=least, **base)

    def learn(self, minute, duty):
        """The difference of the two, where it tells."""
        if self.swapped:
            wanted = duty == "turning"
        else:
            still = self.speed.min_high < 50 and self.speed.min_low > -50
            self.stood = self.stood + 1 if still or self.power.mean == 0.0 else 0
            wanted = self.stood > STAND_MIN
        if wanted:
            self.past.one(minute, self.one.mean - self.two.mean)

    def judge(self):
        """Turned round, or further apart than in the first days."""
        now, usual = self.past.now(), self.past.usual()
        if now != now or usual != usual:
            return self.verdict
        if not self.swapped:
            return abs(now - usual) > 1.0
        turned = all(figure * usual > 0 for figure in self.past.figures)
        turned = turned and abs(usual) >= 1.0 and now * usual < 0
        return turned and 1 / ALIKE <= abs(now / usual) <= ALIKE


class Hydraulic(Slow):
    """The pressure's lowest, and its falls between fillings."""

    def __init__(self, pressure, power, raised):
        super().__init__("hydraulic-sagging", 1200, 3600, raised)
        self.pressure, self.power, self.run, self.before = pressure, power, 0, NAN
        self.low = Kept(least=60, share=hydraulic_sagging.LOWEST)
        self.fall = Kept(least=60, share=hydraulic_sagging.QUICKEST)

    def learn(self, minute, duty):
        """Minutes in which the unit has settled."""
        value, before = self.pressure.mean, self.before
        self.run = self.run + 1 if self.power.mean == 1.0 and value == value else 0
        if self.run > hydraulic_sagging.SETTLE_MIN:
            self.low.one(minute, value)
            if before - value > hydraulic_sagging.LEAST_FALL * before:
                self.fall.one(minute, before - value)
        self.before = value

    def judge(self):
        """Against the usual lowest and the usual fall."""
        usual = self.low.usual()
        if self.run <= hydraulic_sagging.SETTLE_MIN or usual != usual:
            return None
        return self.low.now() < usual * 0.9 or self.fall.now() > self.fall.usual() * 2.0


class Leak(Slow):
    """Air that flows while the machine is quiet."""

    def __init__(self, flow, running, door, raised):
        super().__init__("air-leak", 1200, 7200, raised)
        self.flow, self.running, self.door, self.run, self.of = flow, running, door, 0, None
        self.pasts = {name: Kept(least=30, share=0.2, recent=30) for name in air_leak.QUIET}

    def learn(self, minute, duty):
        """Minutes of one kind of quiet."""
        still = self.running.mean == 0.0 and self.door.mean == 1.0
        quiet = duty == "off" or (duty == "idle" and still)
        if not quiet:
            self.run, self.of = 0, None
            return
        self.run, self.of = self.run + 1 if self.of == duty else 1, duty
        if self.run == air_leak.QUIET_MIN:
            self.pasts[duty].forget_recent()
        elif self.run > air_leak.QUIET_MIN:
            self.pasts[duty].one(minute, self.flow.mean)

    def judge(self):
        """Against the same quiet before."""
        if self.of is None or self.run <= air_leak.QUIET_MIN:
            return self.verdict
        now, usual = self.pasts[self.of].now(), self.pasts[self.of].usual()
        if now != now or usual != usual:
            return self.verdict
        return now > usual * 1.33 and now > usual + 1.0


class BleedDown(Slow):
    """The air that a machine loses after power-off."""

    def __init__(self, air, power, raised):
        super().__init__("air-bleed-down", 0, 0, raised)
        self.air, self.power, self.run, self.began = air, power, 0, 0.0
        self.lost, self.newest = [], None

    def learn(self, minute, duty):
        """From ten to forty minutes after power-off."""
        value = self.air.mean
        self.run = self.run + 1 if self.power.mean == 0.0 and value == value else 0
        if self.run == air_bleed_down.FROM_MIN:
            self.began = value
        elif self.run == air_bleed_down.FROM_MIN + air_bleed_down.FOR_MIN and self.began > 2.0:
            self.newest = max(1 - value / self.began, 0.0)
            self.lost = [*self.lost, self.newest][: air_bleed_down.TIMES]

    def judge(self):
        """Against the first power-offs."""
        if len(self.lost) < air_bleed_down.READY or self.newest is None:
            return None
        return self.newest > middle(self.lost) + 0.1


class Cycling(Slow):
    """Starts of the chiller's compressor."""

    def __init__(self, compressor, raised):
        super().__init__("chiller-short-cycling", 1200, 3600, raised)
        self.compressor, self.changes, self.past = compressor, [], Kept(least=12)

    def learn(self, minute, duty):
        """Changes of its state in each ten minutes of the last hour."""
        if minute % 10 == 0 or not self.changes:
            self.changes = [*self.changes, 0][-6:]
        self.changes[-1] += self.compressor.min_moved
        if minute % 10 == 9 and self._starts() > 0:
            self.past.one(minute, self._starts())

    def _starts(self):
        return sum(self.changes) / 2 if len(self.changes) == 6 else 0.0

    def judge(self):
        """Too many at all, or many more than usual."""
        if len(self.changes) < 6:
            return None
        starts = self._starts()
        return starts >= 20.0 or (starts >= 10.0 and starts > self.past.usual() * 2.0)


class WayOil(Slow):
    """Way oil used too fast, or not at all."""

    def __init__(self, level, running, power, raised, *, unused):
        super().__init__("way-oil-unused" if unused else "way-oil-falling", 0, 3600, raised)
        self.level, self.running, self.power, self.unused = level, running, power, unused
        self.use, self.levels = OilUse(), []

    def learn(self, minute, duty):
        """The level in minutes of running."""
        level = self.level.mean
        runs = self.running.mean == 1.0 and self.power.mean == 1.0
        self.use.push(level, running=runs)
        if level == level:
            self.levels = [*self.levels, level][-10:]

    def judge(self):
        """Against the first stretches of running."""
        usual = self.use.usual()
        if self.unused:
            now = self.use.now(3)
            return None if now != now or usual != usual else usual >= 0.2 and now < usual * 0.2
        if len(self.levels) < 10:
            return None
        now = self.use.now(2)
        return sorted(self.levels)[5] < 10.0 or (now > usual * 2.0 and now > usual + 0.5)


def slow_checks(of, raised):
    """All of them that a machine has."""

    def first(role):
        return of(role)[0]

    power, speed, running = first("power"), first("spindle_speed"), first("cycle_running")
    level, bearings = first("way_oil_level"), of("bearing_temperature")
    found = [Noisy(s, raised) for role in sensor_noisy.ROLES for s in of(role)]
    found += [Vibration(s, speed, raised) for s in of("vibration_velocity")]
    for one, two in pairwise(bearings):
        found += [Pair(one, two, speed, power, raised, swapped=s) for s in (True, False)]
    found += [
        Hydraulic(first("hydraulic_pressure"), power, raised),
        Leak(first("air_flow"), running, first("door_closed"), raised),
        BleedDown(first("air_pressure"), power, raised),
        Cycling(first("compressor_running"), raised),
        *(WayOil(level, running, power, raised, unused=u) for u in (False, True)),
    ]
    return found
