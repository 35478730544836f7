"""The air compressor is loaded for a larger share of the night than usual, with nobody taking air.

In a shop without air users the share of time loaded, T/(T+t), is the leakage (the usual test of
compressed-air audits, for instance ISO 11011; from memory). Half as much again as usual, and ten
points more, is a new leak or something left open (common practice, no source).
"""

from typing import Any, ClassVar, Self

import numpy as np

from condmon.engine import logic
from condmon.engine.block import Block
from condmon.engine.checks.base import LOCKOUT, Said, air_compressor
from condmon.engine.checks.slow import Slow, Verdict
from condmon.engine.hours import alone
from condmon.engine.minutely import Minutely
from condmon.engine.past import Past
from condmon.engine.settings import Machine, Settings
from condmon.engine.words import span

NOON = 720  # a night is one figure: its day begins at noon
NIGHT_MIN = 60


class CompressorLoad(Slow):
    """Needs `compressor_running` with `place = "air"` and the site's `unattended` hours."""

    id = "compressor-load"
    sees = "the air compressor loaded for more of the night than usual"
    urgency = "note"
    hold_s = 3600.0
    release_s = 3600.0
    figures: ClassVar[dict[str, float]] = {"times_usual": 1.5, "more": 0.1}
    title = "air compressor works more at night than usual"
    why = "At night nobody takes air: what the compressor delivers then is lost through a leak."
    look_first = (
        "Something left open: an air gun, a blower, a machine's air after power-off?",
        "Listen along the net when the shop is quiet; drains of tank and dryer.",
        "Shut one branch after the other, when no machine works on it, and watch the compressor.",
    )
    caution = LOCKOUT

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.lists["changes"] = []  # of the state, in the newest quiet minutes

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check a compressor."""
        compressor = air_compressor(machine)
        if not compressor:
            return ""
        if not settings.unattended:
            return "the hours in which nobody is there ([site] unattended)"
        return [cls(settings, machine, (compressor,))]

    def new_past(self) -> Past:
        """Mean load of a night."""
        return Past(NIGHT_MIN, None, NOON, recent=NIGHT_MIN)

    def learn(self, part: Minutely) -> None:
        """Take the load of minutes in which nobody is there and nothing runs."""
        quiet = alone(self.settings, part.minute) & self.all_off(part, "power")
        load = np.where(quiet, self.mean(part, self.signals[0]), np.nan)
        moved = part.moved[:, self.column(self.signals[0])].astype(float)
        busy = np.flatnonzero(~quiet)
        start = int(busy[-1]) + 1 if len(busy) else 0  # what is newest begins after the last user
        if start:
            self.past("night").push(part.minute[:start], load[:start])
            self.past("night").forget_recent()
            self.lists["changes"] = []
        self.past("night").push(part.minute[start:], load[start:])
        changes = [*self.lists["changes"], *moved[start:].tolist()]
        self.lists["changes"] = changes[-NIGHT_MIN:]

    def judge(self) -> Verdict:
        """Compare this night with the usual one; by day the last word stands."""
        now, usual = self.past("night").now(), self.past("night").usual()
        if now != now or usual != usual:
            return self._verdict, self._known.state()
        more = now > usual * self.figure["times_usual"] and now > usual + self.figure["more"]
        changes = sum(self.lists["changes"])
        cycle_s = 2 * 60 * len(self.lists["changes"]) / changes if changes else float("nan")
        return logic.TRUE if more else logic.FALSE, [now, usual, cycle_s]

    def say(self, block: Block, row: int, since: int) -> Said:
        """Share of the time loaded, against the usual one, and the cycle."""
        now, usual, cycle_s = self.facts(row)
        cycle = f", once every {span(cycle_s)}" if cycle_s == cycle_s else ""
        return Said(
            f"With nobody there the compressor is loaded {100 * now:.0f} % of the time{cycle}; "
            f"{100 * usual:.0f} % is usual.",
            "It goes on every night; it shows in the bill and in the compressor's hours.",
            {"load": round(now, 3), "usual": round(usual, 3), "cycle_s": cycle_s},
        )
