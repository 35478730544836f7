"""A small shop and its record streams, built in Python: what the engine's tests push."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from condmon.clock import SiteCalendar
from condmon.engine import records as rec
from condmon.engine.records import (
    SECOND_US,
    Action,
    Batch,
    Beacon,
    Gap,
    Link,
    Record,
    Samples,
    Stray,
)
from condmon.engine.roles import ROLES
from condmon.engine.runs import joined as _joined
from condmon.engine.settings import Adjust, Machine, OwnCheck, Plan, Settings, Signal

T0_US = 1_790_000_000 * SECOND_US  # 2026-09-21T14:13:20Z


def signal(index: int, machine: str, name: str, role: str, **more: object) -> Signal:
    """A signal with what its role implies."""
    r = ROLES[role]
    made = Signal(
        index,
        machine,
        name,
        f"pier/{machine}/{name}",
        r.kind,
        role,
        r.unit,
        range=r.range,
        step_max=r.step_max,
        stale_after_s=r.stale_after_s,
        debounce_s=r.debounce_s,
        words_on=r.words_on,
        words_off=r.words_off,
    )
    return replace(made, **more)  # type: ignore[arg-type]


PARTS: Sequence[tuple[str, str, dict[str, object]]] = (
    ("power", "power", {}),
    ("speed", "spindle_speed", {"fed_by": "power", "stale_after_s": 40.0}),
    ("bearing", "bearing_temperature", {"trip": 55.0, "stale_after_s": 60.0}),
    ("air", "air_flow", {"stale_after_s": 120.0}),
    ("oil", "oil_pulses", {"every_s": 30.0, "width_bits": 8}),
    ("supply", "coolant_supply_temperature", {"setpoint": 22.0}),
    ("compressor", "compressor_running", {}),
    ("level", "coolant_level", {}),
    ("closed", "door_closed", {}),
    ("latched", "door_latched", {}),
    ("cycle", "cycle_running", {}),
)
OWN = OwnCheck(
    "hot-and-fast",
    ("mill-*",),
    'mean(bearing, "40 s") > 40 and highest(speed, "30 s") > 100 '
    'or count_rises(not closed, "5 min") >= 3 '
    'or slope(bearing, "1 min") > 4 and held(power, "9 s") '
    'or increase(oil, "2 min") > 40 or lowest(air, "20 s") > 30 or age(speed) > 35',
    5.0,
    7.0,
    0.5,
)


def machine(name: str, start: int) -> Machine:
    """A machine that has every shipped check."""
    signals = tuple(signal(start + i, name, *part[:2], **part[2]) for i, part in enumerate(PARTS))
    quick = {
        check: Adjust(hold_s=20.0, release_s=10.0)
        for check in ("air-while-off", "bearing-near-trip", "sensor-silent")
    }
    quick["coolant-off-set-point"] = Adjust(hold_s=20.0, release_s=5.0, figures={"settle_min": 1.0})
    quick["unattended-stop"] = Adjust(hold_s=10.0, figures={"ran_min": 0.3})
    quick["coolant-falling"] = Adjust(hold_s=5.0, figures={"still_min": 0.2, "window_min": 1.0})
    quick["door-latch"] = Adjust(figures={"second_of_20": 2.0})
    return Machine(name, name.title(), signals, adjust=quick)


def shop(machines: int = 2) -> Settings:
    """Settings of a small shop; every hour is unattended so that its checks run."""
    made = [machine(f"mill-{i + 1}", i * len(PARTS)) for i in range(machines)]
    plans = {"now": Plan((60.0, 200.0), tell_end=True), "today": Plan((90.0,))}
    return Settings(
        "Pier",
        SiteCalendar("Europe/Oslo"),
        tuple(made),
        (OWN,),
        ((0, 10080),),
        plans,
        lateness_s=2.0,
        digest="test",
    )


def values(role: str, t: int, rng: np.random.Generator) -> float:
    """A value of a role at second `t`, wandering over its limits so that checks have work."""
    phase = t / 97.0
    match role:
        case "spindle_speed":
            return float(8000 * (np.sin(phase) > -0.3))
        case "bearing_temperature":
            return round(45 + 12 * np.sin(t / 240) + rng.normal(0, 0.3), 1)
        case "air_flow":
            return round(max(0.0, 30 + 20 * np.sin(phase / 3)), 1)
        case "oil_pulses":
            return float((min(t, 200) + max(0, t - 500)) // 3 % 256)
        case "coolant_supply_temperature":
            return round(22 + 4 * np.sin(t / 400), 2)
        case "coolant_level":
            return round(80 - t * 0.01, 2)
        case "door_closed":
            return float(t % 14 > 3)
        case "door_latched":
            return float(t % 28 > 6 and t % 14 > 4)
    return float(np.sin(phase + len(role)) > -0.4)


def stream(settings: Settings, seed: int, seconds: int = 900) -> list[Record]:
    """A troubled stream of single records: loss, doubles, disorder, gaps, wrong clocks, actions."""
    rng = np.random.default_rng(seed)
    rows: list[tuple[int, Record]] = []
    period = rng.integers(1, 20, len(settings.signals))
    own = rng.random(len(settings.signals)) < 0.6
    quiet = sorted(rng.integers(0, seconds, 2).tolist())
    skew = {
        int(rng.integers(len(settings.signals))): int(rng.integers(-90, 4000)) for _ in range(3)
    }
    for sig in settings.signals:
        for t in range(int(rng.integers(period[sig.index])), seconds, int(period[sig.index])):
            if rng.random() < 0.05 or (quiet[0] <= t < quiet[1] and rng.random() < 0.5):
                continue
            rows += _sample(sig, t, seconds, rng, own=bool(own[sig.index]), skew=skew)
    for t in range(seconds):
        if rng.random() < 0.9:
            rows.append((T0_US + t * SECOND_US, Beacon(T0_US + t * SECOND_US)))
    rows += _events(seconds, rng)
    jump = int(rng.integers(seconds)) if rng.random() < 0.4 else seconds
    shift = int(rng.integers(1000, 5000)) * SECOND_US
    made = [record for _, record in sorted(rows, key=lambda row: row[0])]
    return [_shifted(r, shift) if _at(r) > T0_US + jump * SECOND_US else r for r in made]


def _sample(
    sig: Signal, t: int, seconds: int, rng: np.random.Generator, *, own: bool, skew: dict[int, int]
) -> list[tuple[int, Record]]:
    at = T0_US + t * SECOND_US + int(rng.integers(SECOND_US))
    lag = (
        int(rng.exponential(0.3) * SECOND_US)
        if rng.random() < 0.97
        else int(rng.integers(300) * SECOND_US)
    )
    own_us = (
        at - (skew.get(sig.index, 0) * SECOND_US if t > seconds // 2 else 0) if own else rec.NO_TIME
    )
    luck = rng.random()
    if sig.role == "air_flow" and 300 <= t < 600:
        luck = 0.0  # a spell in which it sends nothing usable
    value, quality, reason = values(sig.role or "", t, rng), rec.GOOD, 0
    if luck < 0.02:
        value, quality, reason = float("nan"), rec.BAD, 2
    elif luck < 0.04:
        value, quality = float("nan"), rec.NODATA
    elif luck < 0.06:
        value = 85.0 if luck < 0.05 else -127.0
    mark = rec.RETAINED if rng.random() < 0.01 else 0
    raw = ((0, b"what"),) if quality == rec.BAD else ()
    row = rec.samples([(sig.index, at + lag, own_us, value, quality, mark, reason)], raw)
    out: list[tuple[int, Record]] = [(at + lag, row)]
    if rng.random() < 0.03:
        later = at + lag + int(rng.integers(5 * SECOND_US))
        out.append((later, rec.samples([(sig.index, later, own_us, value, quality, mark, reason)])))
    return out


def _events(seconds: int, rng: np.random.Generator) -> list[tuple[int, Record]]:
    out: list[tuple[int, Record]] = []
    for _ in range(int(rng.integers(6))):
        at = T0_US + int(rng.integers(seconds * SECOND_US))
        made: list[Record] = [
            Gap(at, at - SECOND_US, at, "a hole", machine="mill-1"),
            Link(at, up=False),
            Link(at, up=True),
            Stray(at, "pier/what"),
            Action(at, "note", "kim", machine="mill-1", text="looked at it"),
            Action(at, "out_of_service", "kim", machine="mill-1", check="air-while-off"),
            Action(at, "return_to_service", "kim", machine="mill-1", check="air-while-off"),
        ]
        out.append((at, made[int(rng.integers(len(made)))]))
    return out


def _at(record: Record) -> int:
    return int(record.arrived_us[0]) if isinstance(record, Samples) else record.at_us


def _shifted(record: Record, by: int) -> Record:
    if not isinstance(record, Samples):
        return replace(record, at_us=record.at_us + by)
    own = np.where(record.own_us == rec.NO_TIME, record.own_us, record.own_us + by)
    return replace(record, arrived_us=record.arrived_us + by, own_us=own)


def joined(records: Batch, rng: np.random.Generator) -> list[Record]:
    """The same records with neighbouring samples put together into longer runs, at random."""
    out: list[Record] = []
    run: list[Samples] = []
    for record in records:
        if isinstance(record, Samples) and rng.random() < 0.9:
            run.append(record)
            continue
        if run:
            out.append(_joined(run))
        run = [record] if isinstance(record, Samples) else []
        if not isinstance(record, Samples):
            out.append(record)
    return [*out, _joined(run)] if run else out
