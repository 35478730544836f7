"""The loop itself: a sample a turn, a second when the next one begins, a minute after sixty."""

from condmon.engine.thermal_file import model_of
from tests.bench.plain.axes import Unlike, Zone
from tests.bench.plain.heat import Bearing, Odd
from tests.bench.plain.minutes import Spikes, slow_checks
from tests.bench.plain.seconds import Door, Seconds
from tests.bench.plain.senses import Sense
from tests.bench.plain.usage import Usage
from tests.bench.plain.watching import Doubt, Failing


class PlainLoop:
    """All of it for one machine; samples come sorted by time.

    `raised` gets [second, check, second of the end or None] of each alert.
    """

    def __init__(self, machine, unattended, minute_of_week, models):
        self.senses = [Sense(signal) for signal in machine.signals]
        self.raised = raised = []

        def of(role):
            return [s for s in self.senses if s.signal.role == role]

        content = {model.model: model.content for model in models}
        heat = model_of(content["thermal"], machine.id).bearings
        self.power, self.speed = of("power")[0], of("spindle_speed")[0]
        self.running = of("cycle_running")[0]
        self.door = Door(of("door_closed")[0], of("door_latched")[0], raised)
        self.positions = set(of("axis_position"))
        self.seconds = Seconds(of, unattended, minute_of_week, raised)
        self.doubt, self.usage = Doubt(of, raised), Usage(of)
        values = [*of("axis_load"), *of("axis_following_error")]
        place = {s.signal.axis: s for s in self.positions}
        self.zones = [Zone(v, place[v.signal.axis], raised) for v in values]
        self.unlike = Unlike(of("axis_load"), raised)
        self.spikes = {s.name: Spikes(s, raised) for s in self.senses if s.step is not None}
        self.slow = [*slow_checks(of, raised), *self.spikes.values()]
        self.bearings = [
            Bearing(s, of, heat[s.name], raised) for s in of("bearing_temperature") if s.signal.trip
        ]
        self.odd = Odd(machine, self.senses, content["odd"], raised)
        self.duty, self.mixed = None, False

    def run(self, times_us, places, values):
        """Take lists of samples; give what was raised."""
        second = times_us[0] // 1_000_000
        failing = [
            Failing(self.senses, second, self.raised, unusable=unusable)
            for unusable in (False, True)
        ]
        # what is asked every second, in this order
        self.asked = [
            self.door.close, self.doubt.close, *(f.close for f in failing),
            *(zone.close for zone in self.zones), *(b.close for b in self.bearings),
            *(check.close for check in self.slow), self.unlike.close, self.odd.close,
        ]  # fmt: skip
        senses, positions = self.senses, self.positions
        for at_us, place, value in zip(times_us, places, values, strict=True):
            now = at_us // 1_000_000
            while second < now:
                self.close(second)
                second += 1
            sense = senses[place]
            if sense.sample(now, value):
                if sense.edges is not None:
                    self.door.sample(sense, at_us, value)
                elif sense in positions:
                    self.usage.travel(sense, value)
            elif sense.name in self.spikes:
                self.spikes[sense.name].wild += 1
        self.close(second)
        return self.raised

    def close(self, now):
        """A second is over."""
        for sense in self.senses:
            sense.close(now)
        power, speed = self.power.now, self.speed.now
        duty = self.duty
        if power == 0.0:
            self.duty = "off"
        elif speed > 50 and power == power:
            self.duty = "turning"
        else:
            self.duty = "idle" if speed == speed and power == power else None
        if now % 60 and self.duty != duty:
            self.mixed = True
        if now % 60 == 59:
            self.minute(now // 60)
        self.seconds.close(now, self.duty)
        self.usage.close(self.duty)
        for ask in self.asked:
            ask(now)

    def minute(self, minute):
        """A minute is over."""
        for sense in self.senses:
            sense.minute()
        duty = None if self.mixed else self.duty
        self.mixed = False
        for check in self.slow:
            check.minute(minute, duty)
        self.unlike.minute(minute, busy=self.running.mean == 1.0 and self.power.mean == 1.0)
        self.odd.minute(minute, duty)
