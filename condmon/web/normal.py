"""What is normal for each signal at the present duty: where it lay in the last week at it."""

import threading
from collections.abc import Sequence

from condmon.engine.records import SECOND_US
from condmon.engine.settings import Machine
from condmon.engine.words import number, shown
from condmon.web.past import Past
from condmon.web.reading import PageReader

Spans = list[tuple[int, int]]

BACK_US = 7 * 86400 * SECOND_US
SETTLING_US = 600 * SECOND_US
"""After a change of duty a machine warms up or cools down: nothing of that counts as normal."""
KEPT_US = 300 * SECOND_US


class Normal:
    """Ranges of signals, worked out anew every few minutes for each machine and duty.

    Times within alerts do not count, nor does the first stretch of each run.
    """

    def __init__(self, past: Past) -> None:
        self._past = past
        self._lock = threading.Lock()
        self._kept: dict[tuple[str, str], tuple[int, dict[str, str]]] = {}

    def words(self, reader: PageReader, machine: Machine, duty: str, now_us: int) -> dict[str, str]:
        """Name of a signal -> "usual while turning 31 to 35 °C"; only where enough is known."""
        if not duty:
            return {}
        with self._lock:
            at_us, found = self._kept.get((machine.id, duty), (0, {}))
        if now_us - at_us < KEPT_US:
            return found
        found = self._worked_out(reader, machine, duty, now_us)
        if self._past.whole:  # else more is known in a moment
            with self._lock:
                self._kept[machine.id, duty] = now_us, found
        return found

    def _worked_out(
        self, reader: PageReader, machine: Machine, duty: str, now_us: int
    ) -> dict[str, str]:
        from_us = now_us - BACK_US
        runs = runs_of(reader.duties(machine.id, from_us, now_us), duty, from_us, now_us)
        alerts = reader.alerts_between(machine.id, from_us, now_us, 500)
        calm = without(runs, [(a.began_us, a.ended_us or now_us) for a in alerts])
        measured = [s for s in machine.signals if s.kind == "measure"]
        ranges = self._past.ranges([s.index for s in measured], calm)
        return {
            signal.name: f"usual while {duty} {_range(*found)}{shown(signal.unit)}"
            for signal, found in zip(measured, ranges, strict=True)
            if found is not None
        }


def runs_of(changes: Sequence[tuple[int, str]], duty: str, from_us: int, to_us: int) -> Spans:
    """(begin, end) of each run at a duty, without its first minutes; changes are oldest first."""
    ends = [*(at_us for at_us, _ in changes), to_us][1:]
    found = [
        (max(at_us, from_us) + SETTLING_US, end_us)
        for (at_us, name), end_us in zip(changes, ends, strict=True)
        if name == duty
    ]
    return [span for span in found if span[1] > span[0]]


def without(spans: Spans, barred: Spans) -> Spans:
    """The spans with everything cut out that lies in a barred one."""
    for from_us, to_us in barred:
        cut: Spans = []
        for begin_us, end_us in spans:
            cut += [(begin_us, min(end_us, from_us)), (max(begin_us, to_us), end_us)]
        spans = [span for span in cut if span[1] > span[0]]
    return spans


def _range(low: float, high: float) -> str:
    one, other = number(low, 3), number(high, 3)
    return one if one == other else f"{one} to {other}"
