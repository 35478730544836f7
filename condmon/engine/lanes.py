"""Lanes: how one signal finds its values and times in a payload, most often JSON. Pure.

Without a pointer the value is looked for at "/v", "/value" and "/state", or is the only scalar
beside the time; the time at "/t", "/ts", "/time" or "/timestamp". With a pointer for the value,
time is read only where a pointer for it is given.
"""

from math import isfinite

from condmon.engine.condition import ConditionReader
from condmon.engine.payloads import MISSING, Pointer, find, pointer
from condmon.engine.rawbytes import BytesReader
from condmon.engine.records import BAD, GOOD, NO_TIME, SECOND_US, SUSPECT, TIME_UNREADABLE
from condmon.engine.settings import Signal
from condmon.engine.timetext import DAY_US, ZoneOffset, instant
from condmon.engine.values import EMPTY, NO_TIMES, NOTHING_THERE, NumberReader, Value, reader

Row = tuple[int, int, int, float, int, int, int]
"""(signal, arrived_us, own_us, value, quality, mark, reason), as `records.samples` takes it."""
Times = dict[Pointer, tuple[int, int]]
"""Instants of a document that were read already, with their marks: one gateway message holds the
values of many signals and one time."""

VALUE_NAMES = ("v", "value", "state")
TIME_NAMES = ("t", "ts", "time", "timestamp")
_ASIDE = frozenset({*TIME_NAMES, "unit", "u"})


class Lane:
    """One signal's way through the payloads of its topic."""

    def __init__(self, signal: Signal, zone_offset_s: ZoneOffset | None) -> None:
        payload = signal.payload
        self.index = signal.index
        self.reader = reader(signal)
        self._form = payload.form
        self._happening = signal.kind == "moment"
        self._zone = zone_offset_s
        self._value = None if payload.value is None else pointer(payload.value)
        self._time = None if payload.time is None else pointer(payload.time)
        self._each = None if payload.each is None else pointer(payload.each)
        self._where = payload.where and (pointer(payload.where[0]), payload.where[1])
        self._dt = None if payload.dt is None else pointer(payload.dt)
        self._dt_s = payload.dt_s
        self._spread = payload.dt is not None or payload.dt_s is not None
        self._as_sent = isinstance(self.reader, NumberReader) and self.reader.as_sent
        # the usual case by far: one name in the document, and nothing to search for
        simple = self._each is None and self._where is None and self._value is not None
        self._name = self._value[0] if simple and self._value and len(self._value) == 1 else None
        self._bytes = None if payload.binary is None else BytesReader(payload.binary)
        self._condition = ConditionReader(signal) if payload.form == "condition" else None
        self.keeps_text = self._condition is not None

    def takes_json(self, looks_json: bool) -> bool:
        """Whether a payload is read as JSON by this signal."""
        return self._form == "json" or (looks_json and self._form == "auto")

    def plain(self, payload: bytes, arrived_us: int, mark: int) -> list[Row]:
        """Read a payload that is no JSON for this signal: text, a condition or raw bytes."""
        if self._condition is not None:
            said = self._condition.read(payload)
            own_us, noticed = instant(said.time, arrived_us, self._zone)
            return [self.row(said.value, arrived_us, own_us, mark | noticed)]
        if self._bytes is None:
            return [self.row(self.reader.of_bytes(payload), arrived_us, NO_TIME, mark)]
        found = self._bytes.read(payload)
        if len(found) > 1:
            return self._spread_rows(list(found), None, None, arrived_us, NO_TIME, mark)
        return [self.row(self._value_of(found[0]), arrived_us, NO_TIME, mark)]

    def rows_of(self, given: object, arrived_us: int, own_us: int, mark: int) -> list[Row]:
        """Make samples of a value that was found by other ways: a scalar, or a list of them."""
        if isinstance(given, list):
            return self._spread_rows(given, None, None, arrived_us, own_us, mark)
        return [self.row(self._value_of(given), arrived_us, own_us, mark)]

    def _value_of(self, given: object) -> Value:
        return given if isinstance(given, tuple) else self.reader.of_json(given)

    def rows(
        self, document: object, arrived_us: int, mark: int, times: Times | None = None
    ) -> list[Row] | None:
        """Read the samples of this signal; None when the document holds nothing for it."""
        if self._name is not None and type(document) is dict:
            given = document.get(self._name, MISSING)
            if given is MISSING:
                return None
            own = None if times is None or self._time is None else times.get(self._time)
            plain = self._as_sent and type(given) is float and isfinite(given)
            if own and plain and "unit" not in document:  # as nearly all of a gateway's message
                own_us, noticed = own
                return [self.row((given, GOOD, 0), arrived_us, own_us, mark | noticed)]
            return self._read(given, document.get("unit"), document, document, arrived_us, mark,
                              times)  # fmt: skip
        if self._each is None and self._where is None:
            return self._one(document, document, arrived_us, mark)
        elements = document if self._each is None else find(document, self._each)
        if elements is MISSING:
            return None
        if not isinstance(elements, list):
            elements = [elements]
        if not elements:
            return [self.row(EMPTY, arrived_us, NO_TIME, mark)]
        return self._several(elements, document, arrived_us, mark)

    def _several(
        self, elements: list[object], document: object, arrived_us: int, mark: int
    ) -> list[Row] | None:
        if self._where is not None:
            place, text = self._where
            here = [find(element, place) for element in elements]
            if all(found is MISSING for found in here):
                return None
            elements = [
                element
                for element, found in zip(elements, here, strict=True)
                if _as_text(found) == text
            ]
        rows: list[Row] = []
        for element in elements:
            own = self._one(element, document, arrived_us, mark)
            rows += own or [self.row(NOTHING_THERE, arrived_us, NO_TIME, mark)]
        if len(rows) > 1 and not self._spread:
            # several values at one unknown time would be told apart by nothing
            rows = [
                row
                if row[2] != NO_TIME or row[4] == BAD or row[5] & TIME_UNREADABLE
                else self.row(NO_TIMES, arrived_us, NO_TIME, mark)
                for row in rows
            ]
        return rows

    def _one(
        self, element: object, document: object, arrived_us: int, mark: int
    ) -> list[Row] | None:
        """Read one element: one sample, or as many as the array at the value's place has."""
        unit: object = None
        if self._value is not None:
            given = find(element, self._value)
            if self._value:
                beside = find(element, self._value[:-1])
                unit = beside.get("unit") if isinstance(beside, dict) else None
        elif isinstance(element, dict):
            given, unit = self._look(element), element.get("unit")
        else:
            given = element
        if given is MISSING:
            return None
        return self._read(given, unit, element, document, arrived_us, mark, None)

    def _read(
        self,
        given: object,
        unit: object,
        element: object,
        document: object,
        arrived_us: int,
        mark: int,
        times: Times | None,
    ) -> list[Row]:
        """What was found, at its instant."""
        if times is None or self._time is None:
            own_us, noticed = self._instant(element, document, arrived_us)
        elif self._time in times:
            own_us, noticed = times[self._time]
        else:
            own_us, noticed = times[self._time] = self._instant(element, document, arrived_us)
        mark |= noticed
        if isinstance(given, list):
            return self._spread_rows(given, element, document, arrived_us, own_us, mark)
        value = EMPTY if given == {} else self.reader.of_json(given, unit)
        return [self.row(value, arrived_us, own_us, mark)]

    def _look(self, element: dict[str, object]) -> object:
        for name in VALUE_NAMES:
            if name in element:
                return element[name]
        if not element:
            return element
        scalars = [
            given
            for name, given in element.items()
            if name not in _ASIDE and not isinstance(given, dict | list)
        ]
        if len(scalars) == 1:
            return scalars[0]
        return 1 if self._happening and not scalars else MISSING

    def _instant(self, element: object, document: object, arrived_us: int) -> tuple[int, int]:
        given: object = None
        if self._time is not None:
            given = find(element, self._time)
            if given is MISSING and element is not document:
                given = find(document, self._time)
            if given is MISSING:
                return NO_TIME, 0
        elif self._value is None:
            for place in (element, document):
                if isinstance(place, dict):
                    given = next((place[name] for name in TIME_NAMES if name in place), None)
                if given is not None:
                    break
        if given is None:
            return NO_TIME, 0
        return instant(given, arrived_us, self._zone)

    def _spread_rows(
        self,
        given: list[object],
        element: object,
        document: object,
        arrived_us: int,
        own_us: int,
        mark: int,
    ) -> list[Row]:
        if not given:
            return [self.row(EMPTY, arrived_us, own_us, mark)]
        dt_us = self._step(element, document)
        if dt_us is None:
            return [self.row(NO_TIMES, arrived_us, own_us, mark)]
        if own_us == NO_TIME:  # without a first instant the last value is of now
            own_us = arrived_us - (len(given) - 1) * dt_us
        values = [self._value_of(value) for value in given]
        return [
            self.row(value, arrived_us, own_us + step * dt_us, mark)
            for step, value in enumerate(values)
        ]

    def _step(self, element: object, document: object) -> int | None:
        """Microseconds between the values of an array; None when they cannot be known."""
        step: object = self._dt_s
        if self._dt is not None:
            step = find(element, self._dt)
            step = find(document, self._dt) if step is MISSING else step
        if not isinstance(step, int | float) or isinstance(step, bool):
            return None
        if not (0 < step < DAY_US // SECOND_US and isfinite(step)):
            return None
        return round(step * SECOND_US)

    def row(self, value: Value, arrived_us: int, own_us: int, mark: int) -> Row:
        """Make the sample of one value."""
        number, quality, reason = value
        if quality == GOOD and mark & TIME_UNREADABLE:
            quality = SUSPECT  # a good number whose instant is only known by its arrival
        return (self.index, arrived_us, own_us, number, quality, mark, reason)


def _as_text(given: object) -> str | None:
    if isinstance(given, bool):
        return "true" if given else "false"
    return str(given) if isinstance(given, str | int | float) else None
