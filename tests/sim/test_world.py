"""The seeded world: kills between any two steps, cuts, refusing disks, silent receivers, clocks.

python -m pytest tests/sim -m long            a thousand seeds, with their progress
CONDMON_SEEDS=5000:6000 python -m pytest tests/sim -m long     others
"""

import os
import shutil
from pathlib import Path

import pytest
import structlog

from condmon.store.recorder import Recorder
from tests.sim.invariants import check
from tests.sim.world import World

PINNED: tuple[int, ...] = ()
"""Seeds that once found a fault; they stay."""

TURNS = 240


def lived(seed: int, folder: Path, monkeypatch: pytest.MonkeyPatch) -> World:
    folder.mkdir()
    world = World(seed, folder, monkeypatch, TURNS)
    with structlog.testing.capture_logs() as lines:
        world.run()
    if os.environ.get("CONDMON_SIM_LOG"):
        print(*lines, sep="\n")
    return world


# a process that dies does not close its files; here they are closed when they are collected
@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.slow
@pytest.mark.parametrize("seed", [*range(20), *PINNED])
def test_whatever_is_done_nothing_is_lost_doubled_or_invented(seed, tmp_path, monkeypatch):
    world = lived(seed, tmp_path / "world", monkeypatch)
    assert [] == check(world), "\n".join([f"seed {seed}", *world.told])


@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_a_recorder_that_forgets_a_batch_would_be_found(tmp_path, monkeypatch):
    real, calls = Recorder.append, iter(range(10**6))

    def forgets(recorder: Recorder, records: list) -> int:
        return recorder.last_offset() if next(calls) % 50 == 49 else real(recorder, records)

    monkeypatch.setattr(Recorder, "append", forgets)
    monkeypatch.setattr("tests.sim.world.HARMS", {})
    world = lived(3, tmp_path / "world", monkeypatch)
    assert any("acknowledged and not recorded" in one for one in check(world))


@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.long
def test_a_thousand_seeds(tmp_path, monkeypatch):
    first, stop = (int(n) for n in os.environ.get("CONDMON_SEEDS", "100:1100").split(":"))
    found = []
    for seed in range(first, stop):
        with pytest.MonkeyPatch.context() as patch:
            world = lived(seed, tmp_path / str(seed), patch)
            wrong = check(world)
        if wrong:
            found.append(seed)
            print(f"seed {seed}: {wrong}", *world.told, sep="\n  ")
        shutil.rmtree(tmp_path / str(seed))
        if seed % 25 == 24:
            print(
                f"{seed + 1 - first} of {stop - first} seeds, {len(found)} with a fault", flush=True
            )
    assert [] == found
