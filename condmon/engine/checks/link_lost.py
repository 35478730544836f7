"""condmon's own way to the broker is down: it is blind.

Five minutes outlast a broker's restart and a switch's reboot (common practice, no source).
"""

from typing import Self

from condmon.engine.block import Block
from condmon.engine.checks.base import Check, Said
from condmon.engine.health import LINK
from condmon.engine.settings import CONDMON, Machine, Settings
from condmon.engine.words import span


class LinkLost(Check):
    """For condmon itself; fed by Link records."""

    id = "condmon-link"
    sees = "condmon cut off from its broker"
    urgency = "now"
    hold_s = 300.0
    release_s = 10.0
    title = "condmon has lost its broker and sees nothing"
    why = "No machine is being watched while the link is down. A quiet phone means nothing now."
    look_first = (
        "Does the broker run? Is its computer on?",
        "Network: switch, cable, Wi-Fi of the edge box.",
        "Password or certificate changed? The log says why it was refused.",
    )

    @classmethod
    def make(cls, settings: Settings, machine: Machine) -> list[Self] | str:
        """One check, on the machine that is condmon itself."""
        return [cls(settings, machine, machine.signals)] if machine.id == CONDMON else ""

    def when(self) -> str:
        """The link is down."""
        return f"not {LINK}"

    def say(self, block: Block, row: int, since: int) -> Said:
        """For how long."""
        return Said(
            f"No connection to the broker for {span(block.first + row - since)}; "
            "condmon keeps trying.",
            "condmon stays blind until the link is back.",
            {},
        )
