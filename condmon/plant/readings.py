"""Readings: what the simulated sensors send. Sampling, noise, resolution and the text sent."""

from dataclasses import dataclass

import numpy as np

from condmon.engine.records import F64, I64, SECOND_US
from condmon.plant.signals import Sensor

HOUR_S = 3600


@dataclass(frozen=True, slots=True)
class Reading:
    """One message of one simulated sensor; `at_us` is when it is sent."""

    at_us: int
    machine: str
    signal: str
    topic: str
    payload: str


@dataclass(frozen=True, slots=True)
class Sent:
    """What one sensor sends in an hour; `at_us` and `values` have shape (n,)."""

    at_us: I64
    values: F64


def measured(
    sensor: Sensor, column: F64, from_us: int, thin: float, rng: np.random.Generator
) -> Sent:
    """Values at the sensor's period, with its noise and resolution; `column` is one a second."""
    period_us = round(min(sensor.period_s * thin, max(sensor.period_s, 60.0)) * SECOND_US)
    phase_us = sensor.phase_ms * 1000
    first = -(-(from_us - phase_us) // period_us)
    last = -(-(from_us + len(column) * SECOND_US - phase_us) // period_us)
    at_us = np.arange(first, last, dtype=np.int64) * period_us + phase_us
    true = column[(at_us - from_us) // SECOND_US]
    noisy = true + sensor.sigma * rng.standard_normal(len(at_us))
    shown = np.round(noisy / sensor.resolution) * sensor.resolution
    return Sent(at_us, np.maximum(shown, sensor.floor) + 0.0)  # + 0.0: no "-0" in a payload


def changes(sensor: Sensor, column: F64, from_us: int, before: float | None) -> Sent:
    """Send a state or counter whenever it changes; without a value before, the first one counts."""
    past = np.concatenate(([np.nan if before is None else before], column[:-1]))
    rows = np.flatnonzero(column != past)
    return Sent(from_us + rows * SECOND_US + sensor.phase_ms * 1000, column[rows])


def repeated(sensor: Sensor, sent: Sent, from_us: int, before: float) -> Sent:
    """Send the changes of an hour, and the value again every `repeat_s`."""
    phase_us = sensor.phase_ms * 1000 + 3 * SECOND_US
    again = from_us + phase_us + np.arange(0, HOUR_S, sensor.repeat_s, dtype=np.int64) * SECOND_US
    place = np.searchsorted(sent.at_us, again, "right")
    values = np.concatenate(([before], sent.values))[place]
    at_us = np.concatenate((sent.at_us, again))
    order = np.argsort(at_us, kind="stable")
    return Sent(at_us[order], np.concatenate((sent.values, values))[order])


def text(sensor: Sensor, sent: Sent) -> list[str]:
    """Write the payloads in the form in which this sensor sends."""
    if sensor.words:
        off, on = sensor.words
        return [on if value else off for value in sent.values.tolist()]
    digits = sensor.digits
    numbers = [f"{value:.{digits}f}" for value in sent.values.tolist()]
    if sensor.form == "text":
        return numbers
    # the sensor's own clock: milliseconds, taken a moment before the message leaves
    own_ms = (sent.at_us // 1000 - 15).tolist()
    return [f'{{"v":{number},"t":{at}}}' for number, at in zip(numbers, own_ms, strict=True)]
