"""The list of shipped checks: to add one, write its module and put its class here."""

from collections.abc import Mapping

from condmon.engine.checks.air_while_off import AirWhileOff
from condmon.engine.checks.base import Check
from condmon.engine.checks.bearing_near_trip import BearingNearTrip
from condmon.engine.checks.coolant_falling import CoolantFalling
from condmon.engine.checks.coolant_off_set_point import CoolantOffSetPoint
from condmon.engine.checks.door_latch import DoorLatch
from condmon.engine.checks.link_lost import LinkLost
from condmon.engine.checks.oil_missing import OilMissing
from condmon.engine.checks.own import ShopCheck
from condmon.engine.checks.sensors import SensorSilent, SensorUnusable
from condmon.engine.checks.unattended_stop import UnattendedStop
from condmon.engine.settings import Adjust, Machine, Settings

CHECKS: tuple[type[Check], ...] = (
    AirWhileOff,
    OilMissing,
    BearingNearTrip,
    CoolantOffSetPoint,
    CoolantFalling,
    DoorLatch,
    UnattendedStop,
    SensorSilent,
    SensorUnusable,
    LinkLost,
)

SHIPPED: Mapping[str, frozenset[str]] = {c.id: frozenset(c.figures) for c in CHECKS}
"""Id of each shipped check and the names of the figures that a shop may change."""


def checks_of(settings: Settings, machine: Machine) -> tuple[list[Check], list[tuple[str, str]]]:
    """The checks of a machine, and (id, words) of those it could have with one more signal."""
    found: list[Check] = []
    missing: list[tuple[str, str]] = []
    for kind in CHECKS:
        if not machine.adjust.get(kind.id, Adjust()).enabled:
            continue
        made = kind.make(settings, machine)
        if isinstance(made, str):
            if made:
                missing.append((kind.id, f"needs {made}"))
        else:
            found.extend(made)
    found.extend(ShopCheck.all_of(settings, machine))
    return found, missing
