"""Records: what reached condmon, in arrival order. The engine sees nothing else.

Pure. A run of samples is a record of columns, so that a recorded day goes through the engine
without a Python object per sample; cutting such a run anywhere changes no output. All instants are
int64 microseconds of UTC since 1970.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

I64 = NDArray[np.int64]
I32 = NDArray[np.int32]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]
Flags = NDArray[np.bool_]
U16 = NDArray[np.uint16]

SECOND_US = 1_000_000
NO_TIME = -(2**63)
"""`own_us` of a sample whose source gave no time."""

# quality of a sample
GOOD, SUSPECT, BAD, NODATA = 0, 1, 2, 3
QUALITIES = ("good", "suspect", "bad", "nodata")

MODEL_CONTENT_MAX = 1_000_000
"""Characters of a model's content; it lies in the recording and in every snapshot."""

FILED_CONTENT_MAX = 100_000
"""Characters of what is filed in the service book: room for an axis trace, not for a photo."""

# marks: bits that say what was noticed about a sample
RETAINED = 1  # the broker kept it; nobody says it is of now
TIME_UNREADABLE = 2  # the source's time could not be read; arrival is used
ZONE_ASSUMED = 4  # the source's time had no zone; the site's is used
CLOCK_WRONG = 8  # the source's clock is off; arrival is used
LATE = 16  # it came after its second was closed; history only
REPEAT = 32  # the same sample had come before
RANGE_END = 64  # usable, but at the end of the sensor's range
HISTORICAL = 128  # its source says that it is old
MARKS = {
    RETAINED: "retained",
    TIME_UNREADABLE: "time unreadable",
    ZONE_ASSUMED: "zone assumed",
    CLOCK_WRONG: "device clock wrong",
    LATE: "late",
    REPEAT: "repeat",
    RANGE_END: "at range end",
    HISTORICAL: "historical",
}

# why a sample is not good; the number is stored, so only ever add at the end
REASONS = (
    "",
    "not finite",
    "not a number",
    "decimal comma not switched on",
    "unit of another quantity",
    "unknown word",
    "empty",
    "says it has no value",
    "nothing at that place in the payload",
    "payload too large",
    "not readable text",
    "array without times",
    "outside the plausible range",
    "code for a faulty sensor",
    "jump larger than this signal can make",
    "loop current of a fault",
    "power-on value of the sensor",
    "ambiguous number",
    "recorded as bad",
    "its source calls it bad",
    "its source doubts it",
    "its source wants it not to be kept",
    "length does not fit its binary form",
    "stuck at one value",
)


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """A run of samples in arrival order; all columns have shape (n,)."""

    signal: I32  # index into Settings.signals
    arrived_us: I64
    own_us: I64  # NO_TIME when the source gave none
    value: F64  # states 0.0 or 1.0; NaN when quality is BAD or NODATA
    quality: U8
    mark: U16
    reason: U8  # index into REASONS
    raw: tuple[tuple[int, bytes], ...] = ()
    """(row, first bytes of the payload) of refused ones, and the text of conditions."""

    def __len__(self) -> int:
        return len(self.signal)

    def cut(self, start: int, stop: int) -> "Samples":
        """Rows [start, stop) as a run of their own."""
        rows = slice(start, stop)
        raw = tuple((row - start, text) for row, text in self.raw if start <= row < stop)
        return Samples(
            self.signal[rows],
            self.arrived_us[rows],
            self.own_us[rows],
            self.value[rows],
            self.quality[rows],
            self.mark[rows],
            self.reason[rows],
            raw,
        )


@dataclass(frozen=True, slots=True)
class Beacon:
    """It is `at_us` now. The only way in which time passes for the engine."""

    at_us: int


@dataclass(frozen=True, slots=True)
class Gap:
    """Something is missing: condmon was away, the inbox overflowed, a device restarted."""

    at_us: int
    from_us: int
    to_us: int
    reason: str
    lost: int = 0  # messages known to be lost, 0 = not known
    machine: str | None = None  # None: all machines


@dataclass(frozen=True, slots=True)
class Link:
    """The way to the broker came up or went down."""

    at_us: int
    up: bool
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Stray:
    """A topic nobody configured was heard for the first time."""

    at_us: int
    topic: str
    near: str = ""  # the configured topic that looks alike, if one does


@dataclass(frozen=True, slots=True)
class Started:
    """condmon started, with these settings; `restart` tells whether it had run before."""

    at_us: int
    version: str
    settings: str
    restart: bool = False


ActionName = Literal[
    "acknowledge",
    "unacknowledge",
    "shelve",
    "unshelve",
    "out_of_service",
    "return_to_service",
    "note",
    "cause",
    "correct",
]


@dataclass(frozen=True, slots=True)
class Action:
    """A person did something on the page or the command line.

    `alert` names the alert (acknowledge, unacknowledge, shelve, unshelve, cause); `machine` and
    `check` name a check (out_of_service, return_to_service); `machine` alone goes with a note.
    `entry` is the id of the entry that a correction points back to.
    """

    at_us: int
    do: ActionName
    by: str
    alert: str = ""
    machine: str = ""
    check: str = ""
    text: str = ""
    until_us: int = 0  # end of a shelving
    entry: str = ""


@dataclass(frozen=True, slots=True)
class ModelOn:
    """A fitted model takes effect. It carries its content, so that a replay needs nothing else.

    `model` is the kind of model (thermal, odd ...), `content` JSON of at most
    MODEL_CONTENT_MAX characters, `id` a digest of it.
    """

    at_us: int
    machine: str
    model: str
    id: str
    content: str = ""


@dataclass(frozen=True, slots=True)
class Health:
    """How condmon itself fares: one figure, under one of the names in health.py."""

    at_us: int
    name: str
    value: float


@dataclass(frozen=True, slots=True)
class Filed:
    """Something was written into the service book (see servicebook/).

    `what` is one of `servicebook.fields.FIELDS` (component, installed, task, done, visit ...),
    `machine` an id of the configuration or empty for the shop's store, `key` the component, task,
    visit or series it is about, `content` a JSON object of at most FILED_CONTENT_MAX characters.
    """

    at_us: int
    machine: str
    what: str
    by: str
    key: str
    content: str = "{}"


Record = Samples | Beacon | Gap | Link | Stray | Started | Action | ModelOn | Health | Filed
Batch = Sequence[Record]


def samples(
    rows: Sequence[tuple[int, int, int, float, int, int, int]],
    raw: tuple[tuple[int, bytes], ...] = (),
) -> Samples:
    """Columns from rows of (signal, arrived_us, own_us, value, quality, mark, reason)."""
    if not rows:
        rows_t: list[tuple[float, ...]] = [()] * 7
    else:
        rows_t = list(zip(*rows, strict=True))
    return Samples(
        np.array(rows_t[0], np.int32),
        np.array(rows_t[1], np.int64),
        np.array(rows_t[2], np.int64),
        np.array(rows_t[3], np.float64),
        np.array(rows_t[4], np.uint8),
        np.array(rows_t[5], np.uint16),
        np.array(rows_t[6], np.uint8),
        raw,
    )
