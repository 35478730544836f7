"""The checks that are judged every second."""

from math import isnan

from tests.bench.plain.senses import NAN, Latch, Slope

PEAK_S, LASTS_S = 4, 600
PAUSE_S, RAN_S = 300, 600


class Seconds:
    """All of them for one machine; `of` gives the signals of a role."""

    def __init__(self, of, unattended, minute_of_week, raised):
        def first(role):
            return of(role)[0]

        self.power, self.speed, self.flow = (
            first(role) for role in ("power", "spindle_speed", "air_flow")
        )
        self.valve, self.clamped = first("air_valve"), first("tool_clamped")
        self.pulses, self.pressure = first("oil_pulses"), first("air_pressure")
        self.supply, self.wanted = first("coolant_supply_temperature"), first("coolant_setpoint")
        self.level, self.pump = first("coolant_level"), first("pump_running")
        self.running, self.door = first("cycle_running"), first("door_closed")
        self.latched = first("door_latched")
        self.loads = [*of("spindle_load"), *of("axis_load")]
        self.unattended, self.minute_of_week = unattended, minute_of_week
        self.make_latches(raised)
        self.power_for = self.pump_off_for = 0
        self.moved = self.base = self.stood = 0
        self.ran = self.stands = 0
        self.waiting = self.alone = False
        self.slope = Slope(1200)
        self.before, self.stop_until = NAN, 0
        self.peaks = [[NAN] * PEAK_S for _ in self.loads]

    def make_latches(self, raised):
        """Holds and releases in seconds."""
        table = {
            "air-while-off": (600, 60), "oil-missing": (0, 0), "air-missing": (30, 60),
            "coolant-off-set-point": (600, 600), "air-down": (20, 120),
            "coolant-falling": (120, 600), "coolant-low": (600, 600), "unattended-stop": (120, 0),
            "hard-stop": (0, 0),
        }  # fmt: skip
        self.latch = {name: Latch(name, *times, raised) for name, times in table.items()}
        self.against = [Latch("state-contradicts", 300, 60, raised) for _ in range(4)]

    def close(self, now, duty):
        """Judge a second; `duty` is off, turning, idle or None."""
        power, speed, flow = self.power.now, self.speed.now, self.flow.now
        self.power_for = self.power_for + 1 if power == 1.0 else 0
        self._air(now, power, flow, duty)
        self._oil(now, duty)
        self._coolant(now, power)
        self._run(now)
        self._stop(now, speed)
        self._contradictions(now, power, speed, flow)

    def _air(self, now, power, flow, duty):
        off = None if isnan(power) else not power
        flows = None if isnan(flow) else flow > 2.0
        on = both(off, flows)
        self.latch["air-while-off"].push(now, on, on)
        missing = None if isnan(flow) else flow < 5.0
        turning = None if duty is None else duty == "turning"
        stay = both(missing, None if duty is None else duty != "off")
        self.latch["air-missing"].push(now, both(turning, missing), stay)
        bar = self.pressure.now
        filled = None if isnan(power) else self.power_for > 180
        low, eased = (None, None) if isnan(bar) else (bar < 4.5, bar < 4.7)
        self.latch["air-down"].push(now, both(filled, low), both(filled, eased))

    def _oil(self, now, duty):
        self.moved += duty == "turning"
        self.stood = self.stood + 1 if duty is not None and duty != "turning" else 0
        if self.pulses.increase > 0 or self.stood >= 1800:
            self.base = self.moved
        late = self.moved - self.base >= 3 * self.pulses.signal.every_s
        turning = None if duty is None else duty == "turning"
        self.latch["oil-missing"].push(now, both(turning, late), late)

    def _coolant(self, now, power):
        off = abs(self.supply.now - self.wanted.now)
        settled = None if isnan(power) else self.power_for > 1800
        on, stay = (None, None) if isnan(off) else (off > 2.0, off > 1.5)
        self.latch["coolant-off-set-point"].push(now, both(on, settled), both(stay, settled))
        level, pump = self.level.now, self.pump.now
        self.pump_off_for = self.pump_off_for + 1 if pump == 0.0 else 0
        slope = self.slope.push(level)
        falls = None if isnan(slope) else slope < -0.1
        still = None if isnan(pump) else self.pump_off_for > 1800
        there = None if isnan(level) else level >= 0
        on = both(both(there, falls), still)
        self.latch["coolant-falling"].push(now, on, on)
        low, eased = (None, None) if isnan(level) else (level < 20.0, level < 22.0)
        self.latch["coolant-low"].push(now, low, eased)

    def _run(self, now):
        """An unattended run that stops."""
        running, door = self.running.now, self.door.now
        if now % 60 == 0:
            minute = self.minute_of_week(now * 1_000_000)
            self.alone = any(
                a <= minute < b if a < b else minute >= a or minute < b for a, b in self.unattended
            )
        if running == 1.0:
            self.ran += 1
            self.stands, self.waiting = 0, False
        elif running == 0.0:
            if not self.stands:
                self.waiting = self.alone and self.ran >= RAN_S
            self.stands += 1
            if self.stands > PAUSE_S:
                self.ran = 0
            self.waiting = self.waiting and door != 0.0
        self.latch["unattended-stop"].push(now, self.waiting, self.waiting)

    def _stop(self, now, speed):
        """A hard stop: a peak of load, and a spindle that stands from one second to the next."""
        place, before, self.before = now % PEAK_S, self.before, speed
        for kept, load in zip(self.peaks, self.loads, strict=True):
            kept[place] = load.now
        if abs(before) > 300 and abs(speed) < 0.1 * abs(before):
            known = [[v for v in kept if v == v] for kept in self.peaks]
            if any(len(k) * 2 >= PEAK_S and max(k) >= 150.0 for k in known):
                self.stop_until = now + LASTS_S
        on = True if now < self.stop_until else None if isnan(speed) else False
        self.latch["hard-stop"].push(now, on, on)

    def _contradictions(self, now, power, speed, flow):
        def beside(state, other):
            return both(None if isnan(state) else not state, other)

        fast = None if isnan(speed) else speed > 100
        locked = self.latched.now
        tests = (
            beside(self.valve.now, None if isnan(flow) else flow > 5),
            beside(power, fast),
            beside(self.clamped.now, fast),
            beside(self.door.now, None if isnan(locked) else locked > 0.5),
        )
        for latch, on in zip(self.against, tests, strict=True):
            latch.push(now, on, on)


def both(one, two):
    """And, where None is unknown."""
    if one is False or two is False:
        return False
    return None if one is None or two is None else True


class Door:
    """Edges of door and latch without their bounce: second pushes and times to latch."""

    def __init__(self, closed, latched, raised):
        self.closed, self.latched = closed, latched
        self.latch = Latch("door-latch", 0, 0, raised)
        self.tries, self.closed_us, self.bad = 0, 0, None
        self.second, self.times, self.first = [], [], []

    def sample(self, sense, at_us, value):
        """A reading of one of the two switches."""
        edges = []
        sense.edges._settle(at_us, edges)
        sense.edges._take(at_us, int(value), [])
        self._moves(sense, edges)

    def close(self, now):
        """A second is over."""
        for sense in (self.closed, self.latched):
            if sense.edges._waiting:
                edges = []
                sense.edges._settle((now + 1) * 1_000_000, edges)
                self._moves(sense, edges)
        self.latch.push(now, self.bad, self.bad)

    def _moves(self, sense, edges):
        for edge in edges:
            if sense is self.closed:
                if edge.state:
                    again = edge.at_us - self.closed_us < 120_000_000
                    self.tries, self.closed_us = self.tries + 1 if again else 1, edge.at_us
            elif edge.state and self.tries:
                self._latched((edge.at_us - self.closed_us) / 1e6)

    def _latched(self, took):
        self.second = [*self.second, int(self.tries > 1)][-20:]
        self.times = [*self.times, took][-20:]
        if len(self.first) < 50:
            self.first.append(took)
        self.tries = 0
        usual, now = sorted(self.first), sorted(self.times)
        middle, recent = usual[len(usual) // 2], now[len(now) // 2]
        slow = len(self.first) == 50 and recent > max(middle * 1.5, middle + 0.3)
        if len(self.second) < 10:
            self.bad = None
        elif sum(self.second) >= 5 or slow:
            self.bad = True
        elif sum(self.second) <= 2.5:
            self.bad = False
