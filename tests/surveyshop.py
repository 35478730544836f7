"""A shop whose topics look unlike the demo's: flat names, camelCase, units in names, one big JSON.

Its values are those of the simulated shop, so that they behave like a machine's; each source has
the role that is right for it beside it, "" where none is.
"""

import json
from collections.abc import Iterator

from condmon.engine.decode import Arrived
from condmon.engine.records import SECOND_US
from condmon.plant import Plant, Recipe

START_US = 1_795_586_400 * SECOND_US  # a Wednesday morning, two hours before the shift ends
FLAT = {  # sensor of the simulated mill-1 -> topic, right role, factor and offset of the value
    "power": ("CNC1_MachinePower", "power", 1, 0),
    "cycle_running": ("CNC1_CycleRunning", "cycle_running", 1, 0),
    "spindle_speed": ("CNC1_SpindleSpeed_rpm", "spindle_speed", 1, 0),
    "spindle_load": ("CNC1_SpindleLoad_pct", "spindle_load", 1, 0),
    "bearing_upper": ("CNC1_SpindleBearingTempUpper_degF", "bearing_temperature", 1.8, 32),
    "bearing_lower": ("CNC1_SpindleBearingTempLower_degF", "bearing_temperature", 1.8, 32),
    "air_valve": ("CNC1_SpindleAirValve", "air_valve", 1, 0),
    "air_flow": ("CNC1_SpindleAirFlow_lpm", "air_flow", 1, 0),
    "oil_pulses": ("CNC1_OilAirPulseCount", "oil_pulses", 1, 0),
    "coolant_supply": ("CNC1_ChillerOutletTemp", "coolant_supply_temperature", 1.8, 32),
    "coolant_setpoint": ("CNC1_ChillerSetTemp_degC", "coolant_setpoint", 1, 0),
    "compressor": ("CNC1_ChillerCompressorOn", "compressor_running", 1, 0),
    "room": ("CNC1_AmbientTemp_degC", "room_temperature", 1, 0),
    "air_pressure": ("CNC1_AirSupplyPressure", "air_pressure", 14.5038, 0),
    "hydraulic_pressure": ("CNC1_HydPress_MPa", "hydraulic_pressure", 0.1, 0),
    "way_oil": ("CNC1_WayLubeLevel_pct", "way_oil_level", 1, 0),
    "coolant_level": ("CNC1_CoolantTankLvl_pct", "coolant_level", 1, 0),
    "coolant_pump": ("CNC1_CoolantPumpRunning", "pump_running", 1, 0),
    "door_closed": ("CNC1_DoorOpen", "door_closed", -1, 1),
    "door_latched": ("CNC1_DoorLocked", "door_latched", 1, 0),
    "latch_time": ("CNC1_DoorLatchTime_ms", "door_latch_time", 1000, 0),
    "load_x": ("CNC1_XAxisLoad_pct", "axis_load", 1, 0),
    "load_y": ("CNC1_YAxisLoad_pct", "axis_load", 1, 0),
    "position_x": ("CNC1_XAxisPos_mm", "axis_position", 1, 0),
    "position_y": ("CNC1_YAxisPos_mm", "axis_position", 1, 0),
    "following_error_x": ("CNC1_XAxisFollowingError_um", "axis_following_error", 1, 0),
    "vibration": ("CNC1_SpindleVib_mms", "vibration_velocity", 1, 0),
    "tool_clamped": ("CNC1_ToolClamped", "tool_clamped", 1, 0),
    "probe": ("CNC1_ToolSetterOffset_um", "probe_offset", 1, 0),
}
KEYS = {  # sensor of the simulated mill-2 -> key in the JSON of one topic, right role
    "power": ("powerOn", "power"),
    "cycle_running": ("programRunning", "cycle_running"),
    "spindle_speed": ("spindleRpm", "spindle_speed"),
    "spindle_load": ("spindleLoad", "spindle_load"),
    "bearing_upper": ("bearingTempFront", "bearing_temperature"),
    "bearing_lower": ("bearingTempRear", "bearing_temperature"),
    "air_flow": ("sealAirFlow", "air_flow"),
    "coolant_supply": ("coolantSupplyTemp", "coolant_supply_temperature"),
    "coolant_setpoint": ("coolantSetpoint", "coolant_setpoint"),
    "room": ("roomTemp", "room_temperature"),
    "hydraulic_pressure": ("hydraulicPressure", "hydraulic_pressure"),
    "coolant_level": ("coolantLevel", "coolant_level"),
    "door_closed": ("doorClosed", "door_closed"),
    "vibration": ("spindleVibration", "vibration_velocity"),
    "load_x": ("xLoad", "axis_load"),
    "load_z": ("zLoad", "axis_load"),
}
ELEMENTS = {  # sensor of mill-2 -> name in an array of samples, right role
    "position_x": ("axis.x.position", "axis_position"),
    "position_z": ("axis.z.position", "axis_position"),
    "following_error_x": ("axis.x.lag", "axis_following_error"),
    "following_error_z": ("axis.z.lag", "axis_following_error"),
    "way_oil": ("slideway.oil.level", "way_oil_level"),
}
TRAPS = {  # names that are near a role and are none: value now, and how it moves on
    "CNC1_SpindleSpeedOverride_pct": (100.0, 0.0),
    "CNC1_SpindleSpeedCommanded_rpm": (9000.0, 0.0),
    "CNC1_SpindleMotorTemp_degC": (41.0, 0.01),
    "CNC1_SpindleHours_h": (8123.0, 0.02),
    "CNC1_HydraulicOilTemp_degC": (38.0, 0.01),
    "CNC1_HydraulicOilLevel_pct": (71.0, 0.0),
    "CNC1_HydraulicPumpRunning": (1.0, 0.0),
    "CNC1_CoolantPumpPressure_bar": (20.0, 0.1),
    "CNC1_CoolantTankTemp_degC": (24.0, 0.01),
    "CNC1_CoolantReturnTemp_degC": (25.0, 0.01),
    "CNC1_CoolantConcentration_pct": (7.0, 0.0),
    "CNC1_DoorOpenCount": (412.0, 1.0),
    "CNC1_XAxisMotorTemp_degC": (35.0, 0.01),
    "CNC1_XAxisTorqueLimit_pct": (120.0, 0.0),
    "CNC1_CompressorHours_h": (15000.0, 0.02),
    "CNC1_Power_kW": (6.0, 0.1),
    "CNC1_CabinetTemp_degC": (33.0, 0.01),
    "CNC1_PartCount": (17.0, 1.0),
    "CNC1_AirFilterDiffPressure_mbar": (30.0, 0.1),
    "CNC1_VacuumPumpRunning": (1.0, 0.0),
    "CNC1_LubePumpRunning": (0.0, 0.0),
    "CNC1_RoomHumidity_pct": (45.0, 0.1),
    "CNC1_ChipConveyorRunning": (1.0, 0.0),
    "CNC1_MistCollectorRunning": (1.0, 0.0),
    "CNC1_ToolNumber": (12.0, 1.0),
    "CNC1_ProgramNumber": (1201.0, 0.0),
    "CNC1_FeedOverride_pct": (100.0, 0.0),
    "CNC1_PalletClamped": (1.0, 0.0),
    "CNC1_ChuckClamped": (1.0, 0.0),
    "CNC1_SpindleVibration_g": (0.4, 0.01),
    "CNC1_SpindleBearingVibrationPeak_g": (1.4, 0.01),
    "CNC1_RobotRunning": (0.0, 0.0),
    "CNC1_WorkLightOn": (1.0, 0.0),
    "CNC1_DoorLightOn": (1.0, 0.0),
    "CNC1_ProbeBattery_pct": (88.0, 0.0),
    "CNC1_LaserPower": (1.0, 0.0),
    "CNC1_AirKnifeValve": (0.0, 0.0),
    "CNC1_FollowingErrorLimit_um": (50.0, 0.0),
    "CNC1_EnergyCost": (12.5, 0.1),
    "CNC1_AirPressureOk": (1.0, 0.0),
    "CNC1_CycleTime_s": (312.0, 1.0),
    "CNC1_SpindleOrient": (0.0, 0.0),
    "CNC1_GuardDoorCount": (7.0, 1.0),
    "CNC1_CoolantFlow_lpm": (22.0, 0.1),
    "CNC1_OilMistLevel": (2.0, 0.1),
    "CNC1_EmergencyStopOk": (1.0, 0.0),
}
TELEMETRY, SAMPLES = "hall/VMC2/telemetry", "hall/VMC2/axes"


def truth() -> dict[tuple[str, str], str]:
    """The right role of each (topic, place or name in it); "" where none is right."""
    rows = {(topic, ""): role for topic, role, *_ in FLAT.values()}
    rows |= {(TELEMETRY, f"/{key}"): role for key, role in KEYS.values()}
    rows |= {(SAMPLES, name): role for name, role in ELEMENTS.values()}
    return rows | {(topic, ""): "" for topic in TRAPS}


def messages(hours: float = 4.0) -> Iterator[Arrived]:
    """What the shop sends: the last hours of a shift and the first of the night."""
    plant = Plant(7, START_US, Recipe("unlike names", thin=4.0))
    now: dict[str, object] = {}
    moved, told_us = dict.fromkeys(TRAPS, 0.0), START_US
    for reading in plant.run(START_US + round(hours * 3600) * SECOND_US):
        value = _value(reading.payload)
        if reading.machine == "mill-1" and reading.signal in FLAT:
            topic, _, factor, offset = FLAT[reading.signal]
            yield Arrived(reading.at_us, topic, _flat(value, factor, offset))
        elif reading.machine == "mill-2":
            now[reading.signal] = value
        if reading.at_us - told_us >= 15 * SECOND_US:
            told_us = reading.at_us
            yield _telemetry(now, told_us)
            yield _samples(now, told_us)
            for topic, (base, step) in TRAPS.items():
                moved[topic] += step * (1 if (told_us // SECOND_US) % 7 else -3)
                text = f"{base + max(0.0, moved[topic]):g}".encode()
                yield Arrived(told_us, topic, text)


def _value(payload: str) -> object:
    if payload.startswith("{"):
        return json.loads(payload)["v"]
    words = {"on": True, "running": True, "open": True, "closed": True, "locked": True,
             "clamped": True, "loaded": True, "off": False, "stopped": False, "shut": False,
             "unlocked": False, "released": False, "unloaded": False}  # fmt: skip
    return words.get(payload, payload)


def _flat(value: object, factor: float, offset: float) -> bytes:
    if isinstance(value, bool):
        return b"true" if bool(value * factor + offset) else b"false"
    if isinstance(value, list):
        return json.dumps(value).encode()
    return f"{float(str(value)) * factor + offset:.6g}".encode()


def _number(value: object) -> object:
    return float(value) if isinstance(value, str) else value


def _telemetry(now: dict[str, object], at_us: int) -> Arrived:
    document = {key: _number(now[name]) for name, (key, _) in KEYS.items() if name in now}
    if "door_closed" in now:
        document["doorClosed"] = now["door_closed"] is not True and now["door_closed"] != "open"
        document["doorClosed"] = now["door_closed"] is True
    content = json.dumps({"ts": at_us / 1e6, "seq": at_us // SECOND_US % 999, **document})
    return Arrived(at_us, TELEMETRY, content.encode())


def _samples(now: dict[str, object], at_us: int) -> Arrived:
    rows = [
        {"name": key, "value": _number(now[name]), "time": at_us // 1000}
        for name, (key, _) in ELEMENTS.items()
        if name in now
    ]
    return Arrived(at_us, SAMPLES, json.dumps({"samples": rows}).encode())
