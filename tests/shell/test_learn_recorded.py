"""Learning reads sealed days where the recordings have gone, and each sample once."""

from pathlib import Path

import numpy as np
import pytest

from condmon.clock import SiteCalendar
from condmon.config import Config
from condmon.config.shape import Store
from condmon.engine.records import SECOND_US, Beacon, Samples
from condmon.engine.settings import Machine, Settings
from condmon.history.seal import seal
from condmon.learning.recorded import recorded
from tests.recorded import DAY_US, MONDAY_US, SIGNALS, STATES, Folder
from tests.shell.test_status import BROKER

MACHINES = tuple(
    Machine(name, name, tuple(s for s in SIGNALS if s.machine == name))
    for name in ("mill-1", "mill-2")
)
SHOP = Settings("Pier", SiteCalendar("UTC"), MACHINES, digest="test")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Monday sealed and its recording gone, Tuesday sealed, Wednesday only recorded."""
    made = Folder(tmp_path_factory.mktemp("shop") / "store")
    for day in range(3):
        made.day(MONDAY_US + day * DAY_US, every_s=3600)
    made.begin_day(MONDAY_US + 3 * DAY_US)
    made.snapshot()
    list(seal(made.path, STATES))
    made.recorder.close()
    for path in made.path.glob("stream-2025-11-24*"):
        path.unlink()
    return made


def samples(batches) -> list[tuple[int, int]]:
    return [
        (int(at), int(signal))
        for batch in batches
        for record in batch
        if isinstance(record, Samples)
        for at, signal in zip(record.arrived_us, record.signal, strict=True)
    ]


def config(folder: Folder, shop: Settings = SHOP) -> Config:
    return Config(Path("condmon.toml"), shop, BROKER, Store(folder.path), (), (), ())


def test_three_days_are_read_once_though_one_has_no_recording(folder):
    found = samples(recorded(config(folder), 0))
    assert 3 * 24 * 3 == len(found) == len(set(found))
    days = np.array([at for at, _ in found]) // DAY_US - MONDAY_US // DAY_US
    assert [72, 72, 72] == np.bincount(days).tolist()
    at = [at for at, _ in found if at < MONDAY_US + DAY_US]
    assert sorted(at) == at


def test_time_passes_with_the_samples_of_a_sealed_day(folder):
    batches = list(recorded(config(folder), 0))
    beacons = [r.at_us for batch in batches for r in batch if isinstance(r, Beacon)]
    monday = [at for at in beacons if at < MONDAY_US + DAY_US - SECOND_US]
    assert 24 == len(monday)
    assert sorted(beacons) == beacons


def test_days_before_the_asked_instant_are_not_read_from_sealed_ones(folder):
    found = samples(recorded(config(folder), MONDAY_US + DAY_US))
    assert 2 * 72 == len(found)


def test_a_signal_that_was_renamed_is_left_out_of_sealed_days(folder):
    other = SHOP.machines[0].signals[1:]
    fewer = Settings("Pier", SHOP.calendar, (Machine("mill-1", "mill-1", other), MACHINES[1]))
    found = samples(recorded(config(folder, fewer), 0))
    assert {1, 2} == {signal for at, signal in found if at < MONDAY_US + DAY_US}
