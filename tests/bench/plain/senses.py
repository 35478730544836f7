"""What a signal holds, and from a condition to an alert: one value at a time."""

from condmon.engine.counters import Counter
from condmon.engine.edges import Edges
from condmon.engine.past import DAY_MIN, Past

NAN = float("nan")
CODES = (-127.0, 85.0, -0.0625)
JUMP_WITHIN_S = 300


class Sense:
    """One signal: its last usable value, its ages, and the minute that is not over."""

    __slots__ = (
        "at",
        "celsius",
        "counter",
        "doubt",
        "edges",
        "fresh",
        "good",
        "good_at",
        "heard",
        "high",
        "increase",
        "kind",
        "known",
        "last",
        "least",
        "limit",
        "low",
        "mean",
        "min_fresh",
        "min_high",
        "min_low",
        "min_moved",
        "most",
        "moved",
        "name",
        "now",
        "signal",
        "step",
        "stuck",
        "sum",
        "value",
    )  # fmt: skip

    def __init__(self, signal):
        self.signal, self.name, self.kind = signal, signal.name, signal.kind
        self.low, self.high = signal.range or (-1e300, 1e300)
        self.celsius = signal.unit == "Cel"
        self.step = signal.step_max
        self.limit = signal.stale_after_s if signal.stale_after_s is not None else 10**12
        self.value, self.at, self.heard = NAN, -(10**9), -(10**9)
        self.good = self.doubt = self.now = NAN
        self.good_at = 0
        self.stuck, self.increase = False, 0.0
        self.counter = Counter(signal.width_bits) if signal.kind == "counter" else None
        self.edges = Edges(signal.name, signal.debounce_s) if signal.debounce_s else None
        self.last = NAN
        self._begin()

    def _begin(self):
        self.sum, self.known, self.moved, self.fresh = 0.0, 0, 0, 0
        self.least, self.most = 1e300, -1e300

    def sample(self, second, value):
        """Take a value; True if it can be used."""
        self.heard = second
        if value != value or not self._possible(second, value):
            return False
        self.value, self.at = value, second
        return True

    def _possible(self, second, value):
        if self.kind == "state":
            return value in (0.0, 1.0)
        if self.celsius and value in CODES and value != 85.0:
            return False
        if not self.low <= value <= self.high:
            return False
        if self.step is None:
            return True
        soon = second - self.good_at <= JUMP_WITHIN_S
        if abs(value - self.good) > self.step and soon and not abs(value - self.doubt) <= self.step:
            self.doubt = value
            return False
        self.good, self.good_at, self.doubt = value, second, NAN
        return True

    def close(self, now):
        """A second is over: what is held at its end, and what it adds to its minute."""
        value = NAN if now - self.at > self.limit or self.stuck else self.value
        if self.at == now:
            self.fresh += 1
            if self.counter is not None:
                self.increase = self._moved_on(value)
        elif self.counter is not None:
            self.increase = 0.0
        if value == value:
            self.sum += value
            self.known += 1
            if value < self.least:
                self.least = value
            if value > self.most:
                self.most = value
            if value != self.last and self.last == self.last:
                self.moved += 1
        self.now = self.last = value

    def _moved_on(self, value):
        counter, before = self.counter, self.counter.last
        if before is not None and value >= before:
            counter.last = value
            return value - before
        step, kind = counter._step(value)
        if kind != "glitch":
            counter.last = value
        return step

    def minute(self):
        """A minute is over: its mean, lowest, highest, moves and fresh readings."""
        enough = self.known * 2 >= 60
        self.mean = self.sum / self.known if enough else NAN
        self.min_low = self.least if enough else NAN
        self.min_high = self.most if enough else NAN
        self.min_moved, self.min_fresh = self.moved, self.fresh
        self._begin()


class Latch:
    """Hold and release of one condition, counted in seconds; None: unknown."""

    __slots__ = ("active", "back", "check", "hold", "off_for", "on_for", "raised", "release", "row")

    def __init__(self, check, hold, release, raised):
        self.check, self.hold, self.release, self.raised = check, hold, release, raised
        self.active, self.on_for, self.off_for, self.back = False, 0, 0, 0
        self.row = None

    def push(self, now, on, stay):
        """Take the condition as written and as eased at a second."""
        if not self.active and not self.on_for and not on:
            return
        if on:
            self.on_for += 1
            if not self.active and self.on_for > self.hold:
                self.active, self.off_for = True, 0
                self.row = [now, self.check, None]
                self.raised.append(self.row)
        elif on is not None:
            self.on_for = 0
        if stay:
            self.off_for = 0
        elif stay is not None:
            if not self.off_for:
                self.back = now
            self.off_for += 1
            if self.active and self.off_for > self.release:
                self.active, self.on_for = False, 0
                self.row[2] = self.back


class Slope:
    """Least-squares slope a minute over the last `seconds` values, by running sums."""

    def __init__(self, seconds):
        self.seconds, self.kept, self.at, self.head = seconds, [None] * seconds, 0, 0
        self.n, self.t, self.tt, self.x, self.tx = 0, 0, 0, 0, 0

    def push(self, value):
        """Take a value; the slope, NaN while fewer than half are known."""
        at, self.at = self.at, self.at + 1
        place = at % self.seconds
        old = self.kept[place]
        if old is not None:
            t = at - self.seconds
            self.n -= 1
            self.t -= t
            self.tt -= t * t
            self.x -= old
            self.tx -= t * old
        if value == value:
            whole = round(value * 1e6)  # whole numbers: running sums of floats would drift
            self.n += 1
            self.t += at
            self.tt += at * at
            self.x += whole
            self.tx += at * whole
            self.kept[place] = whole
        else:
            self.kept[place] = None
        below = self.n * self.tt - self.t * self.t
        if self.n * 2 < self.seconds or below <= 0:
            return NAN
        return (self.n * self.tx - self.t * self.x) * 1e-6 / below * 60


class Kept(Past):
    """What is usual, a minute at a time."""

    def one(self, minute, value):
        """Add a minute value; NaN is passed over."""
        if value != value:
            return
        self._add((minute - self._offset) // DAY_MIN, [value])
        self.last.append(value)
        if len(self.last) > self._recent:
            del self.last[0]
