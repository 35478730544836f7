"""Axes: load and following error by zone of travel, and each axis against its siblings."""

from math import sqrt

from condmon.engine.checks.axis_unlike import ALONE
from condmon.engine.checks.axis_unlike import LEAST as LOAD_LEAST
from condmon.engine.checks.axis_zone import ERRORS, FEW_BASE, FEWEST, LEAST, OTHERS
from condmon.engine.past import middle
from condmon.engine.zones import BASE_DAYS, DAY_S, KEPT_TENS, MOVED_LEAST, RANGE_FROM, ZONES
from tests.bench.plain.senses import NAN, Kept, Latch


class Zone:
    """One value of one axis in sixteen zones of its travel, each direction by itself."""

    def __init__(self, value, position, raised):
        self.value, self.position = value, position
        self.least = LEAST[value.signal.role]
        self.latch = Latch("axis-zone", 1800, 7200, raised)
        self.last, self.low, self.high, self.seen = NAN, 1e300, -1e300, 0
        self.fixed, self.verdict = False, None
        self.base = [[0.0, 0.0, 0.0] for _ in range(2 * ZONES)]
        self.ten = [[0.0, 0.0, 0.0] for _ in range(2 * ZONES)]
        self.tens, self.days, self.any = [], [], False

    def close(self, now):
        """Take a second; judge when ten minutes are over."""
        at, value = self.position.now, self.value.now
        step, self.last = at - self.last, at
        if (step > MOVED_LEAST or step < -MOVED_LEAST) and value == value:
            self._moved(now, at, step, abs(value))
        if now % 600 == 599:
            self.verdict = self._judge()
            self._ten_over()
        self.latch.push(now, self.verdict, self.verdict)

    def _moved(self, now, at, step, value):
        if not self.fixed:
            self.low, self.high = min(self.low, at), max(self.high, at)
            self.seen += 1
            return
        zone = int((at - self.low) / (self.high - self.low) * ZONES)
        zone = 0 if zone < 0 else ZONES - 1 if zone >= ZONES else zone
        sums = self.ten[zone + ZONES if step > 0 else zone]
        sums[0] += 1
        sums[1] += value
        sums[2] += value * value
        self.any = True
        day = now // DAY_S
        if day not in self.days and len(self.days) < BASE_DAYS:
            self.days.append(day)

    def _ten_over(self):
        if not self.fixed:
            self.fixed = self.seen >= RANGE_FROM and self.high > self.low
            return
        if not self.any:
            return
        self.tens = [*self.tens, self.ten][-KEPT_TENS:]
        if len(self.days) < BASE_DAYS:
            for kept, new in zip(self.base, self.ten, strict=True):
                for i in range(3):
                    kept[i] += new[i]
        self.ten, self.any = [[0.0, 0.0, 0.0] for _ in range(2 * ZONES)], False

    def _judge(self):
        if len(self.days) < BASE_DAYS or not self.tens:
            return None
        found = []
        for zone, (ticks, total, _) in enumerate(self.base):
            new = [sum(ten[zone][i] for ten in self.tens) for i in range(3)]
            if ticks < FEW_BASE or new[0] < FEWEST or total <= 0:
                continue
            before, mean = total / ticks, new[1] / new[0]
            error = sqrt(max(new[2] / new[0] - mean * mean, 0.0) / new[0])
            found.append((mean / before, before, mean, error))
        if len(found) < OTHERS:
            return None
        others = middle([one[0] for one in found])
        high = 0
        for change, before, mean, error in found:
            beyond = mean - before * others
            high += change > others * 1.4 and beyond > ERRORS * error and beyond > self.least
        return 0 < high * 3 <= len(found)


class Unlike:
    """The load of each axis against its past and its siblings, by the minute."""

    def __init__(self, loads, raised):
        self.pasts = {load: Kept(least=60) for load in loads}
        self.pairs = [
            (load, times, Latch("axis-unlike", 0, 7200, raised), [None])
            for load in loads
            for times in (1.25, 1.6)
        ]

    def minute(self, minute, *, busy):
        """A minute is over in which a program ran throughout, or not."""
        if busy:
            for load, past in self.pasts.items():
                past.one(minute, load.mean)
        if minute % 10 == 9:
            found = {load: (past.now(), past.usual()) for load, past in self.pasts.items()}
            for load, times, _, verdict in self.pairs:
                verdict[0] = self._judge(found, load, times)

    def _judge(self, found, load, times):
        now, usual = found[load]
        if now != now or usual != usual:
            return None
        if now <= usual * times or now <= usual + LOAD_LEAST:
            return False
        changes = [
            new / old for other, (new, old) in found.items() if other is not load and old > 0
        ]
        more = bool(changes) or now > usual * times * ALONE
        return more and (not changes or now / max(usual, 0.1) > middle(changes) * 1.15)

    def close(self, now):
        """A second is over."""
        for _, _, latch, verdict in self.pairs:
            latch.push(now, verdict[0], verdict[0])
