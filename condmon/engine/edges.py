"""Edges of a switch without its bounce: one counts when the switch has stayed. Pure."""

from typing import Any, NamedTuple

import numpy as np

from condmon.engine.block import Block
from condmon.engine.records import SECOND_US

BURST_US = 2 * SECOND_US


class Edge(NamedTuple):
    """The switch took a new state at `at_us` and kept it."""

    at_us: int
    state: int
    known_us: int  # when that was sure: debounce later


class Edges:
    """Carried state of one switch: its settled state, an edge not yet sure, chatter counted.

    Parameters
    ----------
    name : str
        The signal's name.
    debounce_s : float
        A shorter stay is bounce or chatter.
    """

    def __init__(self, name: str, debounce_s: float) -> None:
        self.name, self._debounce_us = name, round(debounce_s * SECOND_US)
        self._settled: int | None = None
        self._waiting: tuple[int, int] | None = None  # (at_us, state)
        self._burst_us = 0

    def push(self, block: Block) -> tuple[list[Edge], list[int]]:
        """Sure edges of a block, and the instants at which bursts of chatter began."""
        edges: list[Edge] = []
        bursts: list[int] = []
        times, values = block.readings_of(self.name)
        states = (values > 0.5).astype(np.int8)
        # a reading that repeats the one before it changes nothing, whenever it comes
        rows = np.flatnonzero(np.diff(states, prepend=np.int8(-1)))
        for at_us, state in zip(times[rows].tolist(), states[rows].tolist(), strict=True):
            self._settle(at_us, edges)
            self._take(at_us, state, bursts)
        self._settle(block.end_us, edges)
        return edges, bursts

    def _settle(self, until_us: int, edges: list[Edge]) -> None:
        if self._waiting and self._waiting[0] + self._debounce_us < until_us:
            at_us, state = self._waiting
            self._waiting = None
            if self._settled is not None:
                edges.append(Edge(at_us, state, at_us + self._debounce_us))
            self._settled = state

    def _take(self, at_us: int, state: int, bursts: list[int]) -> None:
        if self._settled is None and self._waiting is None:
            self._waiting = (at_us, state)
        elif self._waiting is not None:
            if state == self._waiting[1]:
                return
            if state == self._settled:  # back before it was sure: chatter
                if at_us - self._burst_us > BURST_US:
                    bursts.append(at_us)
                self._burst_us = at_us
                self._waiting = None
            else:
                self._waiting = (at_us, state)
        elif state != self._settled:
            self._waiting = (at_us, state)

    def state(self) -> list[Any]:
        """What has to survive a restart."""
        return [self._settled, list(self._waiting) if self._waiting else None, self._burst_us]

    def load(self, state: list[Any]) -> None:
        """Take up a saved state."""
        self._settled, self._burst_us = state[0], state[2]
        self._waiting = (state[1][0], state[1][1]) if state[1] else None
