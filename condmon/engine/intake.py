"""Intake: settles the time of each sample, marks repeats, judges its value. Pure.

Time. A source's own time is believed while it is near arrival. An older one is believed where we
have a hole (a gateway hands over what it kept) or where it goes on from the newest; where we
already have samples, or when it lags by the same amount for a while, or when it lies ahead, the
source's clock is wrong: arrival counts and the sample is marked.

Value. Outside the range, a known fault code, or a jump that the thing cannot make: kept with its
reason, out of every rule.
"""

from collections.abc import Iterator
from typing import Any, NamedTuple

import numpy as np

from condmon.engine import records as rec
from condmon.engine.clockwatch import TRUST_US, SourceClock
from condmon.engine.grouping import rows_of_each
from condmon.engine.ids import short_id
from condmon.engine.outputs import Entry
from condmon.engine.plausible import Plausible
from condmon.engine.records import F64, I64, Samples
from condmon.engine.settings import Settings
from condmon.engine.words import span

TELL_AGAIN_US = 24 * 3600 * rec.SECOND_US


class Taken(NamedTuple):
    """What intake made of a run of samples; columns of shape (n,) in arrival order."""

    at_us: I64  # the time they belong to
    value: F64
    quality: rec.U8
    mark: rec.U16
    reason: rec.U8
    entries: list[tuple[int, Entry]]  # (row, entry)


class Intake:
    """Carried state: a clock and a plausibility judge per signal, and what was told already."""

    def __init__(self, settings: Settings) -> None:
        self._signals = settings.signals
        self._clocks = [SourceClock() for _ in self._signals]
        self._plausible = Plausible(self._signals)
        self._state = np.array([s.kind in {"state", "moment"} for s in self._signals], bool)
        self._told: dict[str, int] = {}  # "signal:reason" -> when
        self._offsets: dict[str, list[int]] = {}  # machine -> [offset_s, when] last told

    def take(self, run: Samples) -> Taken:
        """Judge a run of samples in arrival order."""
        at, mark = run.arrived_us.copy(), run.mark.copy()
        quality, reason, value = run.quality.copy(), run.reason.copy(), run.value.copy()
        entries: list[tuple[int, Entry]] = []
        own = run.own_us != rec.NO_TIME
        changes: list[tuple[int, int, int, int]] = []
        for signal, rows in _by_signal(run.signal, own):
            self._settle(signal, rows, run, at, mark, changes)
        for row, signal, offset_us, was_us in sorted(changes):
            entry = self._tell_clock(signal, int(run.arrived_us[row]), offset_us, was_us)
            if entry:
                entries.append((row, entry))
        retained = (mark & rec.RETAINED > 0) & ~own & ~self._state[run.signal]
        quality[retained & (quality == rec.GOOD)] = rec.SUSPECT
        self._plausible.judge(run.signal, at, value, quality, mark, reason)
        self._tell_values(run, at, quality, mark, reason, entries)
        entries.sort(key=lambda pair: pair[0])
        return Taken(at, value, quality, mark, reason, entries)

    def _settle(
        self,
        signal: int,
        rows: I64,
        run: Samples,
        at: I64,
        mark: rec.U16,
        changes: list[tuple[int, int, int, int]],
    ) -> None:
        clock = self._clocks[signal]
        own, arrived, value = run.own_us[rows], run.arrived_us[rows], run.value[rows]
        live = not np.any(mark[rows] & (rec.RETAINED | rec.HISTORICAL))
        if live and (clock.plain(own, arrived, value) or clock.backlog(own, arrived, value)):
            at[rows] = own
            return
        for row, own_us, arrived_us, v in zip(
            rows.tolist(), own.tolist(), arrived.tolist(), value.tolist(), strict=True
        ):
            at[row], bits = clock.settle(own_us, arrived_us, v, int(mark[row]))
            mark[row] |= bits
            if clock.changed:
                changes.append((row, signal, clock.offset_us, clock.was_us))

    def _tell_clock(
        self, signal: int, arrived_us: int, offset_us: int, was_us: int
    ) -> Entry | None:
        """One entry per change of a clock, however many signals come from that device."""
        where = self._signals[signal]
        offset_s = round(offset_us / rec.SECOND_US)
        last = self._offsets.get(where.machine)
        if last and abs(last[0] - offset_s) <= 5 and arrived_us - last[1] < TELL_AGAIN_US:
            return None
        unset = was_us > TRUST_US  # a clock that starts at 1970 and is then set: no news
        if offset_s == 0 and (last is None or unset):
            self._offsets.pop(where.machine, None)
            return None
        self._offsets[where.machine] = [offset_s, arrived_us]
        side = "ahead" if offset_s < 0 else "behind"
        text = (
            f"{where.label()}: the device's clock is {span(abs(offset_s))} {side}; "
            "times of arrival are used until it is right"
            if offset_s
            else f"{where.label()}: the device's clock is right again"
        )
        return Entry(
            short_id("clock", where.machine, where.name, arrived_us),
            arrived_us,
            where.machine,
            "clock",
            text,
            {"signal": where.name, "offset_s": -offset_s},
        )

    def _tell_values(
        self,
        run: Samples,
        at: I64,
        quality: rec.U8,
        mark: rec.U16,
        reason: rec.U8,
        entries: list[tuple[int, Entry]],
    ) -> None:
        """One entry per signal and reason a day, not one per sample."""
        texts = None
        for row in np.flatnonzero((quality == rec.BAD) | ((quality == rec.SUSPECT) & (reason > 0))):
            if mark[row] & rec.REPEAT:
                continue
            where, why = self._signals[int(run.signal[row])], rec.REASONS[int(reason[row])]
            key, now = f"{where.machine}/{where.name}:{why}", int(run.arrived_us[row])
            last = self._told.get(key)
            if last is not None and now - last < TELL_AGAIN_US:
                continue
            self._told[key] = now
            texts = dict(run.raw) if texts is None else texts
            raw = texts.get(int(row))
            shown = (
                ascii(raw.decode(errors="replace")) if raw is not None else f"{run.value[row]:g}"
            )
            hint = "; check the byte order" if where.payload.binary and "range" in why else ""
            text = f"{where.label()}: a reading was put aside ({why}{hint}): {shown}"
            entries.append(
                (
                    int(row),
                    Entry(
                        short_id("sensor", key, now),
                        int(at[row]),
                        where.machine,
                        "sensor",
                        text,
                        {"signal": where.name, "reason": why},
                    ),
                )
            )

    def state(self) -> dict[str, Any]:
        """What has to survive a restart."""
        return {
            "clocks": [c.state() for c in self._clocks],
            "plausible": self._plausible.state(),
            "told": self._told,
            "offsets": self._offsets,
        }

    def load(self, state: dict[str, Any]) -> None:
        """Take up a saved state."""
        for clock, saved in zip(self._clocks, state["clocks"], strict=True):
            clock.load(saved)
        self._plausible.load(state["plausible"])
        self._told, self._offsets = state["told"], state["offsets"]


def _by_signal(signal: rec.I32, wanted: rec.Flags) -> Iterator[tuple[int, I64]]:
    """Rows of each signal that are wanted, in arrival order."""
    yield from rows_of_each(signal, np.flatnonzero(wanted))
