"""What a machine's life is counted in: hours, starts, travel, turns, air and warmth."""

from math import floor

from condmon.engine.duty import TURNING_MIN
from condmon.engine.servicebook.life import LOAD_BAND
from condmon.engine.usage import BAND, LOAD_TOP, RISES, WARM_BAND, ZONE


class Usage:
    """The same counters as the engine's, as plain sums."""

    def __init__(self, of):
        self.states = [[name, of(role)[0], 1.0] for name, role in RISES if of(role)]
        self.speed, self.load = of("spindle_speed")[0], of("spindle_load")[0]
        self.flow, self.energy = of("air_flow")[0], of("energy")[0]
        self.bearings = of("bearing_temperature")
        self.axes = {axis: [None, {}] for axis in of("axis_position")}
        self.counts = {name: 0 for name, _, _ in self.states} | {"spindle_starts": 0}
        self.seconds, self.bands, self.turns = {}, {}, {}
        self.warm = {bearing: {} for bearing in self.bearings}
        self.air = self.used = 0.0
        self.turned = True

    def travel(self, axis, value):
        """A usable reading of a position."""
        kept = self.axes[axis]
        if kept[0] is not None and value != kept[0]:
            zone = floor(value / ZONE) * ZONE
            kept[1][zone] = kept[1].get(zone, 0.0) + abs(value - kept[0])
        kept[0] = value

    def close(self, duty):
        """A second is over."""
        self.seconds[duty] = self.seconds.get(duty, 0) + 1
        for state in self.states:
            value = state[1].now
            if value == value and value != state[2]:
                state[2] = value
                if value:
                    self.counts[state[0]] += 1
        speed = abs(self.speed.now)
        if speed == speed:
            turning = speed > TURNING_MIN
            if turning and not self.turned:
                self.counts["spindle_starts"] += 1
            self.turned = turning
            if turning:
                band = int(speed // BAND) * BAND
                self.bands[band] = self.bands.get(band, 0) + 1
            if speed > 0:
                load = abs(self.load.now)
                band = int(min(load, LOAD_TOP) // LOAD_BAND) * LOAD_BAND if load == load else 0
                self.turns[band] = self.turns.get(band, 0.0) + speed / 60
        if self.flow.now > 0:
            self.air += self.flow.now / 60
        self.used += self.energy.increase
        for bearing, bands in self.warm.items():
            if bearing.now == bearing.now:
                band = floor(bearing.now / WARM_BAND) * WARM_BAND
                bands[band] = bands.get(band, 0) + 1
