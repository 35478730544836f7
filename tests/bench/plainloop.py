"""The yardstick of the replay bench: a plain loop over samples and seconds, with the same checks.

Written as one would write it first: a value a turn, a dict of held values, a counter for every
condition. It judges range, fault codes and jumps, holds and ages values, and runs the conditions of
every shipped check that the bench's machine gets, with the same holds and releases. It makes no
texts, no ids, no log, no snapshot and does not settle clocks, so it does less than the engine does.
"""

from collections import deque
from math import inf, log
from statistics import median

NAN = float("nan")


class Latch:
    """Hold and release of one condition, counted in seconds."""

    def __init__(self, check, hold, release) -> None:
        self.check, self.hold, self.release = check, hold, release
        self.active, self.on_for, self.off_for, self.onset = False, 0, 0, 0

    def push(self, second, on, stay, raised):
        if on:
            if not self.on_for:
                self.onset = second
            self.on_for += 1
            if not self.active and self.on_for > self.hold:
                self.active, self.off_for = True, 0
                raised.append((second, self.check))
        elif on is not None:
            self.on_for = 0
        if stay:
            self.off_for = 0
        elif stay is not None:
            self.off_for += 1
            if self.active and self.off_for > self.release:
                self.active, self.on_for = False, 0


class Slope:
    """Least-squares slope a minute over the last `seconds` values, by running sums."""

    def __init__(self, seconds) -> None:
        self.seconds, self.kept, self.at = seconds, deque(), 0
        self.n = self.t = self.tt = self.x = self.tx = 0.0

    def push(self, value):
        self.at += 1
        if value == value:
            self._add(self.at, value, 1)
            self.kept.append((self.at, value))
        while self.kept and self.kept[0][0] <= self.at - self.seconds:
            self._add(*self.kept.popleft(), -1)
        below = self.n * self.tt - self.t * self.t
        if self.n * 2 < self.seconds or below <= 0:
            return NAN
        return (self.n * self.tx - self.t * self.x) / below * 60

    def _add(self, at, value, sign):
        self.n += sign
        self.t += sign * at
        self.tt += sign * at * at
        self.x += sign * value
        self.tx += sign * at * value


class PlainLoop:
    """All of it for one machine; `signals` as in the settings, samples sorted by time."""

    def __init__(self, machine, unattended, minute_of_week) -> None:
        self.signals = machine.signals
        self.by_role = {}
        for signal in machine.signals:
            self.by_role.setdefault(signal.role, []).append(signal.name)
        self.unattended, self.minute_of_week = unattended, minute_of_week
        self.held = {s.name: NAN for s in self.signals}
        self.held_at = {s.name: None for s in self.signals}
        self.heard_at = {s.name: None for s in self.signals}
        self.rise = {}
        self.doubt = {s.name: NAN for s in self.signals}
        self.bearings = [s for s in self.signals if s.role == "bearing_temperature" and s.trip]
        self.slopes = {s.name: Slope(600) for s in self.bearings}
        self.level_slope = Slope(1200)
        self.power_for = self.pump_off_for = 0
        self.quiet = self.stood = self.ran = 0
        self.waiting = False
        self.door = {"tries": 0, "closed_at": -(10**9), "second": [], "times": [], "base": []}
        self.door_bad = None
        self.switch = {}
        self.raised = []
        self.latches = {
            "air-while-off": Latch("air-while-off", 600, 60),
            "oil-missing": Latch("oil-missing", 0, 0),
            "coolant-off-set-point": Latch("coolant-off-set-point", 600, 600),
            "coolant-falling": Latch("coolant-falling", 120, 600),
            "door-latch": Latch("door-latch", 0, 0),
            "unattended-stop": Latch("unattended-stop", 300, 0),
            "sensor-silent": Latch("sensor-silent", 60, 60),
            "sensor-unusable": Latch("sensor-unusable", 60, 60),
        }
        for bearing in self.bearings:
            self.latches[bearing.name] = Latch("bearing-near-trip", 60, 120)

    def run(self, times_us, places, values):
        """Take lists of samples; give (second, check) of everything raised."""
        second = times_us[0] // 1_000_000
        self.began = second
        for at_us, place, value in zip(times_us, places, values, strict=True):
            now = at_us // 1_000_000
            while second < now:
                self._second(second)
                second += 1
            self._sample(self.signals[place], at_us, value)
        self._second(second)
        return self.raised

    def _sample(self, signal, at_us, value):
        name, second = signal.name, at_us // 1_000_000
        self.heard_at[name] = second
        if value != value:
            return
        if signal.kind == "state":
            if value not in (0.0, 1.0):
                return
            if signal.debounce_s:
                self._switch(name, at_us, value)
        elif not self._possible(signal, value, second):
            return
        if signal.kind == "counter":
            before = self.held[name]
            if value > before:
                self.rise[name] = self.rise.get(name, 0.0) + value - before
        self.held[name] = value
        self.held_at[name] = second

    def _possible(self, signal, value, second):
        if signal.unit == "Cel" and value in (-127.0, 85.0, -0.0625):
            return False
        if signal.range and not signal.range[0] <= value <= signal.range[1]:
            return False
        name, step = signal.name, signal.step_max
        if step is not None:
            last = self.held[name]
            if last == last and abs(value - last) > step and second - self.held_at[name] <= 300:
                doubt = self.doubt[name]
                if doubt != doubt or abs(value - doubt) > step:
                    self.doubt[name] = value
                    return False
            self.doubt[name] = NAN
        return True

    def _switch(self, name, at_us, value):
        """Debounced edges of door and latch; an edge is sure at the next sample that agrees."""
        settled, waiting = self.switch.get(name, (None, None))
        if waiting is not None and waiting[0] + 200_000 < at_us:
            if settled is not None:
                self._edge(name, waiting)
            settled, waiting = waiting[1], None
        if value == settled:
            waiting = None
        elif waiting is None or waiting[1] != value:
            waiting = (at_us, value)
        self.switch[name] = (settled, waiting)

    def _edge(self, name, edge):
        door, (at_us, state) = self.door, edge
        if name == self.by_role["door_closed"][0]:
            if state:
                again = at_us - door["closed_at"] < 120_000_000
                door["tries"] = door["tries"] + 1 if again else 1
                door["closed_at"] = at_us
            return
        if not state or not door["tries"]:
            return
        took = (at_us - door["closed_at"]) / 1e6
        door["second"] = [*door["second"], int(door["tries"] > 1)][-20:]
        door["times"] = [*door["times"], took][-20:]
        if len(door["base"]) < 50:
            door["base"].append(took)
        door["tries"] = 0
        usual, tries = median(door["base"]), sum(door["second"])
        slow = len(door["base"]) == 50 and median(door["times"]) > max(usual * 1.5, usual + 0.3)
        if len(door["second"]) < 10:
            self.door_bad = None
        elif tries >= 5 or slow:
            self.door_bad = True
        elif tries <= 2.5:
            self.door_bad = False

    def _value(self, role, now):
        name = self.by_role[role][0]
        return self._now(next(s for s in self.signals if s.name == name), now)

    def _now(self, signal, now):
        at = self.held_at[signal.name]
        if at is None or (signal.stale_after_s is not None and now - at > signal.stale_after_s):
            return NAN
        return self.held[signal.name]

    def _second(self, now):
        value = self._value
        power, speed = value("power", now), value("spindle_speed", now)
        turning = None if power != power else bool(power and speed > 50)
        self._air(now, power)
        self._oil(now, turning)
        self._bearings(now)
        self._coolant(now, power)
        self._door_and_stop(now)
        self._sensors(now, power)
        self.rise = {}

    def _put(self, name, now, on, *stay: bool | None):
        self.latches[name].push(now, on, stay[0] if stay else on, self.raised)

    def _air(self, now, power):
        flow = self._value("air_flow", now)
        known = power == power and flow == flow
        self._put("air-while-off", now, (not power and flow > 2.0) if known else None)

    def _oil(self, now, turning):
        pulse = next(s for s in self.signals if s.role == "oil_pulses")
        self.stood = 0 if turning else self.stood + 1
        self.quiet += bool(turning)
        if self.rise.get(pulse.name) or self.stood >= 1800:
            self.quiet = 0
        on = None if turning is None else turning and self.quiet >= 3 * pulse.every_s
        self._put("oil-missing", now, on)

    def _bearings(self, now):
        for bearing in self.bearings:
            temp, trip = self._now(bearing, now), bearing.trip
            slope = self.slopes[bearing.name].push(temp)
            steady = temp + slope * 20
            minutes = inf
            if steady > trip and slope > 0 and temp < trip:
                minutes = -20 * log((steady - trip) / (steady - temp))
            rising = temp >= trip - 10 and steady > trip + 1 and minutes <= 30
            if temp != temp:
                self._put(bearing.name, now, None)
            else:
                near, eased = temp >= trip - 3, temp >= trip - 4
                self._put(bearing.name, now, near or rising, eased or rising)

    def _coolant(self, now, power):
        supply, wanted = (
            self._value("coolant_supply_temperature", now),
            self._value("coolant_setpoint", now),
        )
        self.power_for = self.power_for + 1 if power else 0
        settled = self.power_for > 1800
        off = abs(supply - wanted)
        on = None if off != off else off > 2.0 and settled
        stay = None if off != off else off > 1.5 and settled
        self._put("coolant-off-set-point", now, on, stay)
        level, pump = self._value("coolant_level", now), self._value("pump_running", now)
        self.pump_off_for = 0 if pump else self.pump_off_for + 1
        slope = self.level_slope.push(level)
        known = slope == slope
        self._put(
            "coolant-falling", now, (slope < -0.1 and self.pump_off_for > 1800) if known else None
        )

    def _door_and_stop(self, now):
        self._put("door-latch", now, self.door_bad)
        running, shut = self._value("cycle_running", now), self._value("door_closed", now)
        if running == 1.0:
            self.ran += 1
            self.waiting = False
        elif running == 0.0:
            if self.ran:
                minute = self.minute_of_week(now * 1_000_000)
                alone = any(
                    a <= minute < b if a < b else minute >= a or minute < b
                    for a, b in self.unattended
                )
                self.waiting = self.waiting or (alone and self.ran >= 600)
                self.ran = 0
            self.waiting = self.waiting and shut != 0.0
        self._put("unattended-stop", now, self.waiting)

    def _sensors(self, now, power):
        silent = unusable = False
        watched = now - self.began
        for signal in self.signals:
            limit = signal.stale_after_s
            if limit is None:
                continue
            due = watched
            if signal.fed_by is not None:
                due = min(due, self.power_for)
            heard, held = self.heard_at[signal.name], self.held_at[signal.name]
            heard_s = now - heard if heard is not None else 10**9
            age_s = now - held if held is not None else 10**9
            silent = silent or min(heard_s, due) > limit
            unusable = unusable or (heard_s <= limit and min(age_s, due) > limit)
        self._put("sensor-silent", now, silent)
        self._put("sensor-unusable", now, unusable)
