"""Whether the sensors can be believed: silent, unusable and stuck ones."""

from condmon.engine.checks.sensors import GROUPS, TOGETHER_S
from condmon.engine.doubt import (
    KNOWN_CHANGES,
    LONGEST_MAX,
    READINGS,
    ROLES,
    SECONDS,
    SPEED_MOVED,
    STEP_S,
    TIMES_LONGEST,
)
from tests.bench.plain.senses import Latch


class Failing:
    """Signals that are silent, or send nothing usable; what fails together is one alert."""

    def __init__(self, senses, began, raised, *, unusable):
        self.senses = [s for s in senses if s.signal.stale_after_s is not None]
        self.began, self.unusable = began, unusable
        name = "sensor-unusable" if unusable else "sensor-silent"
        self.latches = [Latch(name, 60, 60, raised) for _ in range(GROUPS)]
        self.group, self.opened = {}, {}

    def close(self, now):
        """Judge a second."""
        watched = now - self.began
        if self.unusable:
            late = [s for s in self.senses if now - s.at > s.limit and now - s.heard <= s.limit]
        else:
            late = [s for s in self.senses if now - s.heard > s.limit]
        failing = [s.name for s in late if watched > s.limit]
        if failing or self.group:
            self._sort(now, failing)
        for place, latch in enumerate(self.latches):
            if latch.active or failing:
                on = any(self.group[name] == place for name in failing)
                latch.push(now, on, on)

    def _sort(self, now, failing):
        """A group of which nothing fails is dissolved; a new failure joins a young one."""
        living = {self.group[name] for name in failing if name in self.group}
        self.group = {name: g for name, g in self.group.items() if g in living}
        new = [name for name in failing if name not in self.group]
        if not new:
            return
        used = sorted(set(self.group.values()))
        young = [g for g in used if now - self.opened[g] <= TOGETHER_S]
        free = [g for g in range(GROUPS) if g not in used]
        group = young[0] if young else free[0] if free else GROUPS - 1
        if group not in used:
            self.opened[group] = now
        for name in new:
            self.group[name] = group


class Doubt:
    """A reading that no longer moves although what is beside it does."""

    def __init__(self, of, raised):
        speed, bearings = of("spindle_speed")[0], of("bearing_temperature")
        self.watched = []
        for role in sorted(ROLES):
            for sense in of(role):
                beside = [(speed, SPEED_MOVED)]
                if role == "bearing_temperature":
                    beside += [(other, 1.0) for other in bearings if other is not sense]
                self.watched.append(Repeat(sense, beside, raised))

    def close(self, now):
        """Judge a second."""
        judged = (now + 1) % STEP_S == 0
        for one in self.watched:
            one.close(now)
            if judged:
                one.judge(now)


class Repeat:
    """How often one signal has repeated its value, and what moved since."""

    __slots__ = ("beside", "changes", "last", "latch", "longest", "run", "sense", "since", "spans")

    def __init__(self, sense, beside, raised):
        self.sense, self.beside = sense, beside
        self.latch = Latch("sensor-stuck", 0, 60, raised)
        self.last, self.run, self.since = None, 0, 0
        self.longest = self.changes = 0
        self.spans = [[1e300, -1e300] for _ in beside]

    def close(self, now):
        """Count a second."""
        sense, spans = self.sense, self.spans
        if sense.at == now:
            if sense.value != self.last:
                if 0 < self.run <= 2 * LONGEST_MAX and self.run > self.longest:
                    self.longest = self.run
                self.changes += 1
                self.run, self.since, self.last = 0, now, sense.value
                for span in spans:
                    span[0], span[1] = 1e300, -1e300
            else:
                self.run += 1
        for (other, _), span in zip(self.beside, spans, strict=True):
            value = other.now
            if value < span[0]:
                span[0] = value
            if value > span[1]:
                span[1] = value
        if sense.stuck or self.latch.active:
            self.latch.push(now, sense.stuck, sense.stuck)

    def judge(self, now):
        """Every five minutes."""
        if self.sense.stuck:
            self.sense.stuck = self.run > 1
            return
        long = self.run > max(READINGS, TIMES_LONGEST * self.longest)
        able = self.changes >= KNOWN_CHANGES and self.longest <= LONGEST_MAX
        if long and able and now - self.since >= SECONDS:
            pairs = zip(self.beside, self.spans, strict=True)
            self.sense.stuck = any(span[1] - span[0] > far for (_, far), span in pairs)
