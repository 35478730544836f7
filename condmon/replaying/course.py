"""The course of every signal over a replay of unknown length, in bounded memory, for charts."""

import numpy as np

from condmon.engine.outputs import Judged
from condmon.engine.records import F64, GOOD, REPEAT, SECOND_US
from condmon.engine.settings import Settings
from condmon.ledger.traces import Traces
from condmon.web.rings import Strip

STEP_US = 10 * SECOND_US
CELLS = 8_640  # a day of 10 s


class Courses:
    """Least and greatest value of each signal in cells that grow wider as the replay goes on.

    Attributes
    ----------
    step_us : int
        Width of a cell now.
    traces : dict of str to Traces
        Of each machine the strokes of its axes.
    """

    def __init__(self, settings: Settings) -> None:
        self.step_us = STEP_US
        self._first: int | None = None  # number of the first cell
        shape = (len(settings.signals), CELLS)
        self._low: F64 = np.full(shape, np.nan)
        self._high: F64 = np.full(shape, np.nan)
        self.traces = {
            machine.id: Traces([s.name for s in machine.signals if s.kind == "trace"])
            for machine in settings.machines
        }
        self._traced = [(s.index, s.machine, s.name) for s in settings.signals if s.kind == "trace"]

    def add(self, judged: Judged) -> None:
        """Take samples; what is not good, or older than the first cell, is left out."""
        run = judged.samples
        good = (run.quality == GOOD) & (run.mark & REPEAT == 0)
        at_us, signal, value = judged.at_us[good], run.signal[good], run.value[good]
        if not len(at_us):
            return
        for index, machine, name in self._traced:
            rows = np.flatnonzero(signal == index)
            self.traces[machine].add(name, at_us[rows], value[rows])
        if self._first is None:
            self._first = int(at_us.min()) // self.step_us
        while int(at_us.max()) // self.step_us - self._first >= CELLS:
            self._widen()
        place = at_us // self.step_us - self._first
        kept = place >= 0
        at = (signal[kept], place[kept])
        np.fmin.at(self._low, at, value[kept])
        np.fmax.at(self._high, at, value[kept])

    def strip(self, signal: int, from_us: int, to_us: int, hold_us: int = 0) -> Strip:
        """Cells of one signal that touch [from, to); a value holds over `hold_us` of nothing."""
        first = self._first or 0
        a = min(max(from_us // self.step_us - first, 0), CELLS)
        b = min(max(-(-to_us // self.step_us) - first, a), CELLS)
        low, high = self._low[signal, a:b].copy(), self._high[signal, a:b].copy()
        _hold(low, high, hold_us // self.step_us)
        return Strip((first + a) * self.step_us, self.step_us, low, high)

    def _widen(self) -> None:
        """Twice the width: two cells become one."""
        assert self._first is not None
        odd = self._first % 2
        for name, join in (("_low", np.fmin), ("_high", np.fmax)):
            old = getattr(self, name)
            if odd:  # the first cell is the second half of a wider one
                old = np.concatenate([np.full((len(old), 1), np.nan), old[:, :-1]], axis=1)
            wide = np.full_like(old, np.nan)
            wide[:, : CELLS // 2] = join(old[:, ::2], old[:, 1::2])
            setattr(self, name, wide)
        self._first //= 2
        self.step_us *= 2


def _hold(low: F64, high: F64, cells: int) -> None:
    """Carry a value on over so many empty cells at most."""
    if not len(low) or cells < 1:
        return
    full = ~np.isnan(low)
    held = np.maximum.accumulate(np.where(full, np.arange(len(low)), -1))
    fill = ~full & (held >= 0) & (np.arange(len(low)) - held <= cells)
    last = high[held[fill]]
    low[fill], high[fill] = last, last
