"""Siblings: signals of one machine that play the same role at different places. Pure."""

from itertools import pairwise

from condmon.engine.settings import Machine, Signal

TEMPERATURES = ("bearing_temperature", "coolant_supply_temperature", "room_temperature")


def pairs(machine: Machine) -> list[tuple[Signal, Signal]]:
    """Neighbours among like temperatures, in the order of the file."""
    return [pair for role in TEMPERATURES for pair in pairwise(machine.by_role(role))]
