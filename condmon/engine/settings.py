"""What the engine is told: site, machines, signals, checks. Plain frozen values, made by config.py.

Pure: imports nothing of the shell. Every duration is in seconds, every instant in microseconds of
UTC since 1970 (`_us`).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, Protocol

Kind = Literal["measure", "state", "counter", "moment", "calibration", "trace"]
Urgency = Literal["now", "today", "note"]

CONDMON = "condmon"
"""Id of the machine that is condmon itself: its link and its health are watched like any other."""


class Calendar(Protocol):
    """The site's wall clock, as a pure function of UTC (clock.py makes one from the time zone)."""

    def minute_of_week(self, at_us: int) -> int:
        """Minutes since Monday 00:00 local time, 0 to 10079."""

    def text(self, at_us: int) -> str:
        """Local wall time as `YYYY-MM-DD HH:MM:SS`."""

    def next_local(self, at_us: int, minute_of_day: int, days: frozenset[int]) -> int:
        """First instant after `at_us` at which the local clock shows that minute on such a day."""


@dataclass(frozen=True, slots=True)
class Binary:
    """How a number lies in raw bytes."""

    type: Literal["int16", "uint16", "int32", "uint32", "float32", "float64"]
    order: Literal["big", "little"]  # of the bytes
    swapped: bool = False  # the 16-bit words come in the other order
    at: int | None = None  # bytes before it, with others around it; None: nothing else is there


@dataclass(frozen=True, slots=True)
class Payload:
    """How a value is found in a message.

    `form` "auto" takes plain text, or JSON when the payload starts like JSON. `value` and `time`
    are RFC 6901 pointers. With `each`, the pointer leads to an array of samples and `value` and
    `time` are read inside every element; with `dt_s` or a `dt` pointer the array at `value` is
    spread over time from the instant at `time`.

    `form` "condition" takes the condition words of a control, "sparkplug" the metric `metric` of
    a Sparkplug B device, "binary" raw bytes as `binary` says. A number is multiplied by `scale`,
    then taken from `sent_unit` into the signal's unit where the payload names no unit itself.
    """

    form: Literal["auto", "text", "json", "condition", "sparkplug", "binary"] = "auto"
    value: str | None = None
    time: str | None = None
    each: str | None = None
    where: tuple[str, str] | None = None  # (pointer, text): only elements whose pointer reads so
    dt: str | None = None
    dt_s: float | None = None
    decimal_comma: bool = False
    metric: str | None = None
    binary: Binary | None = None
    scale: float = 1.0
    sent_unit: str | None = None  # UCUM code


@dataclass(frozen=True, slots=True)
class Signal:
    """One sensor or state of a machine. `index` is its place in `Settings.signals`."""

    index: int
    machine: str
    name: str
    topic: str
    kind: Kind
    role: str | None = None
    unit: str = "1"  # UCUM code
    payload: Payload = Payload()
    range: tuple[float, float] | None = None
    step_max: float | None = None  # a larger jump between neighbours is a spike until confirmed
    stale_after_s: float | None = None  # None: a value holds until the next one
    debounce_s: float = 0.0
    words_on: tuple[str, ...] = ()
    words_off: tuple[str, ...] = ()
    width_bits: int | None = None
    every_s: float | None = None
    trip: float | None = None
    setpoint: float | None = None
    tolerance: float | None = None
    fed_by: str | None = None  # name of the state signal that feeds this sensor
    axis: str | None = None
    place: str | None = None
    title: str = ""  # the shop's word for it; empty: made from the name

    def label(self) -> str:
        """The word used in texts."""
        return self.title or self.name.replace("_", " ")


@dataclass(frozen=True, slots=True)
class Adjust:
    """What a shop changes about one shipped check; None and absent figures keep the default."""

    enabled: bool = True
    hold_s: float | None = None
    release_s: float | None = None
    urgency: Urgency | None = None
    figures: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Machine:
    """One machine: its signals by name, its duties (first true one wins), its adjustments."""

    id: str
    name: str
    signals: tuple[Signal, ...]
    duty: tuple[tuple[str, str], ...] = ()  # (name, expression); empty: defaults by role
    adjust: Mapping[str, Adjust] = field(default_factory=dict)  # check id -> changes

    def by_role(self, role: str) -> tuple[Signal, ...]:
        """The signals that play a role, in the order of the file."""
        return tuple(s for s in self.signals if s.role == role)


@dataclass(frozen=True, slots=True)
class OwnCheck:
    """A check the shop wrote itself."""

    id: str
    machines: tuple[str, ...]  # shell-style patterns of machine ids
    when: str
    hold_s: float = 0.0
    release_s: float = 0.0
    deadband: float = 0.0
    urgency: Urgency = "today"
    title: str = ""
    why: str = ""
    look_first: tuple[str, ...] = ()
    caution: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """When a person hears of an alert of one urgency again, and whether the end is told."""

    remind_after_s: tuple[float, ...] = ()
    tell_end: bool = False


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything the engine needs, and nothing it does not."""

    site: str
    calendar: Calendar
    machines: tuple[Machine, ...]
    checks: tuple[OwnCheck, ...] = ()
    unattended: tuple[tuple[int, int], ...] = ()  # minutes of the week [from, to), to may wrap
    plans: Mapping[str, Plan] = field(default_factory=dict)  # urgency -> plan
    digest_minute: int = 7 * 60  # minute of the day at which notes are told
    digest_days: frozenset[int] = frozenset({0, 1, 2, 3, 4})  # 0 = Monday
    lateness_s: float = 2.0
    digest: str = ""  # short hash of the configuration text
    own_adjust: Mapping[str, Adjust] = field(default_factory=dict)  # of checks on condmon itself

    @property
    def signals(self) -> tuple[Signal, ...]:
        """All signals; a record's `signal` column counts in this tuple."""
        return tuple(s for m in self.machines for s in m.signals)
