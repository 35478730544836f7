"""One payload through the decoder, as rows that read easily in a test."""

import math

from condmon.engine.decode import Arrived, Decoder
from condmon.engine.records import NO_TIME, QUALITIES, REASONS, SECOND_US
from condmon.engine.settings import Machine, Settings, Signal

AT_US = 1_763_964_000_000_000  # 2025-11-24T06:00:00Z
TOPIC = "site/mill-1/spindle/bearing-upper/temp"


class NoCalendar:
    def minute_of_week(self, at_us):
        return 0

    def text(self, at_us):
        return ""

    def next_local(self, at_us, minute_of_day, days):
        return at_us


def settings_of(*signals: Signal):
    return Settings("test", NoCalendar(), (Machine("mill-1", "Mill", signals),))


def decoder(kind="measure", unit="Cel", topic=TOPIC, **more):
    return Decoder(settings_of(Signal(0, "mill-1", "x", topic, kind, unit=unit, **more)))


POWER = {
    "kind": "state",
    "unit": "1",
    "words_on": ("on", "active"),
    "words_off": ("off", "inactive"),
}


def read(text, retain=False, **signal):
    """(value, quality, reason, own seconds after AT_US, mark) of each sample of one payload."""
    body = text if isinstance(text, bytes) else text.encode()
    (run,) = decoder(**signal).decode([Arrived(AT_US, TOPIC, body, retain)])
    return [
        (
            None if math.isnan(value) else value,
            QUALITIES[quality],
            REASONS[reason],
            None if own == NO_TIME else (own - AT_US) / SECOND_US,
            mark,
        )
        for value, quality, reason, own, mark in zip(
            run.value.tolist(),
            run.quality.tolist(),
            run.reason.tolist(),
            run.own_us.tolist(),
            run.mark.tolist(),
            strict=True,
        )
    ]


def one(text, **signal):
    (row,) = read(text, **signal)
    return row[:3]
