"""The list of shipped checks: to add one, write its module and put its class here."""

from collections.abc import Mapping

from condmon.engine.checks.air_bleed_down import AirBleedDown
from condmon.engine.checks.air_down import AirDown
from condmon.engine.checks.air_leak import AirLeak
from condmon.engine.checks.air_missing import AirMissing
from condmon.engine.checks.air_while_off import AirWhileOff
from condmon.engine.checks.axis_trace import AxisTrace
from condmon.engine.checks.axis_unlike import AxisUnlike
from condmon.engine.checks.axis_zone import AxisZone
from condmon.engine.checks.base import Check
from condmon.engine.checks.bearing_hot import BearingHot
from condmon.engine.checks.bearing_near_trip import BearingNearTrip
from condmon.engine.checks.bearing_warming import BearingWarming
from condmon.engine.checks.chiller_short_cycling import ChillerShortCycling
from condmon.engine.checks.compressor_load import CompressorLoad
from condmon.engine.checks.condmon_health import CondmonHealth
from condmon.engine.checks.control_alarm import ControlAlarm
from condmon.engine.checks.coolant_falling import CoolantFalling
from condmon.engine.checks.coolant_low import CoolantLow
from condmon.engine.checks.coolant_off_set_point import CoolantOffSetPoint
from condmon.engine.checks.door_latch import DoorLatch
from condmon.engine.checks.hard_stop import HardStop
from condmon.engine.checks.hydraulic_sagging import HydraulicSagging
from condmon.engine.checks.link_lost import LinkLost
from condmon.engine.checks.odd_pattern import OddPattern
from condmon.engine.checks.oil_missing import OilMissing
from condmon.engine.checks.own import ShopCheck
from condmon.engine.checks.probe_shift import ProbeShift
from condmon.engine.checks.sensor_drift import SensorDrift
from condmon.engine.checks.sensor_noisy import SensorNoisy
from condmon.engine.checks.sensor_spikes import SensorSpikes
from condmon.engine.checks.sensor_stuck import SensorStuck
from condmon.engine.checks.sensors import SensorSilent, SensorUnusable
from condmon.engine.checks.sensors_swapped import SensorsSwapped
from condmon.engine.checks.service_due import ServiceDue
from condmon.engine.checks.state_contradicts import StateContradicts
from condmon.engine.checks.unattended_stop import UnattendedStop
from condmon.engine.checks.vibration_risen import VibrationRisen
from condmon.engine.checks.way_oil_falling import WayOilFalling
from condmon.engine.checks.way_oil_unused import WayOilUnused
from condmon.engine.settings import Adjust, Machine, Settings

CHECKS: tuple[type[Check], ...] = (
    AirWhileOff,
    OilMissing,
    AirMissing,
    BearingNearTrip,
    BearingHot,
    BearingWarming,
    CoolantOffSetPoint,
    ChillerShortCycling,
    HydraulicSagging,
    AirDown,
    AirLeak,
    CompressorLoad,
    AirBleedDown,
    DoorLatch,
    AxisUnlike,
    AxisZone,
    AxisTrace,
    VibrationRisen,
    CoolantFalling,
    CoolantLow,
    WayOilFalling,
    WayOilUnused,
    HardStop,
    UnattendedStop,
    ControlAlarm,
    ProbeShift,
    ServiceDue,
    OddPattern,
    SensorSilent,
    SensorUnusable,
    SensorStuck,
    SensorNoisy,
    SensorSpikes,
    SensorDrift,
    SensorsSwapped,
    StateContradicts,
    LinkLost,
    CondmonHealth,
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
