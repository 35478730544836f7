"""Lengths of time out of a list of changes. Pure."""

from collections.abc import Sequence

from condmon.engine.outputs import Entry
from condmon.engine.records import SECOND_US

Spans = Sequence[tuple[int, int]]


def hours_by_duty(
    changes: Sequence[Entry], from_us: int, to_us: int, blind: Spans = ()
) -> dict[str, dict[str, float]]:
    """Seconds of each machine at each duty between two instants, the longest duty first.

    `changes` are entries of kind duty, oldest first; the newest before `from_us` counts from there.
    What lies within `blind` is counted to no duty, for nobody was watching.
    """
    found: dict[str, dict[str, float]] = {}
    for machine in dict.fromkeys(entry.machine for entry in changes):
        own = [entry for entry in changes if entry.machine == machine]
        ends = [*(entry.at_us for entry in own[1:]), to_us]
        lengths: dict[str, float] = {}
        for entry, next_us in zip(own, ends, strict=True):
            begin_us, end_us = max(entry.at_us, from_us), min(next_us, to_us)
            length_s = (end_us - begin_us - covered_us(blind, begin_us, end_us)) / SECOND_US
            if length_s > 0:
                duty = str(entry.facts.get("duty", ""))
                lengths[duty] = lengths.get(duty, 0.0) + length_s
        found[machine] = dict(sorted(lengths.items(), key=lambda row: -row[1]))
    return found


def covered_us(spans: Spans, from_us: int, to_us: int) -> int:
    """How much of [from_us, to_us) lies in any of the spans, each instant counted once."""
    total, done_us = 0, from_us
    for first_us, last_us in sorted(spans):
        begin_us, end_us = max(first_us, done_us), min(last_us, to_us)
        if end_us > begin_us:
            total += end_us - begin_us
            done_us = end_us
    return total


def busiest(at_us: Sequence[int], window_s: float) -> int:
    """The greatest number of instants within any window of that length."""
    times, most, first = sorted(at_us), 0, 0
    for last, now_us in enumerate(times):
        while now_us - times[first] >= window_s * SECOND_US:
            first += 1
        most = max(most, last - first + 1)
    return most
