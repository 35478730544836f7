"""The seeded world: kills between any two steps, cuts, refusing disks, silent receivers, clocks.

python -m pytest -s -m long tests/sim            a thousand seeds, with their progress
CONDMON_SEEDS=5000:6000 python -m pytest -s -m long tests/sim     others
"""

import os
import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path

import pytest
import structlog

from tests.sim.invariants import check
from tests.sim.world import World

PINNED: tuple[int, ...] = (38, 118, 491, 532, 1865, 7034, 8078)
"""Seeds that once found a fault; they stay."""

TURNS = 240


def lived(
    seed: int,
    folder: Path,
    monkeypatch: pytest.MonkeyPatch,
    turns: int = TURNS,
    plan: Mapping[int, str] = {},
) -> World:
    folder.mkdir()
    world = World(seed, folder, monkeypatch, turns)
    world.plan |= plan
    with structlog.testing.capture_logs() as lines:
        world.run()
    if os.environ.get("CONDMON_SIM_LOG"):
        print(*lines, sep="\n")
    return world


def commit() -> str:
    asked = ["git", "-C", str(Path(__file__).parent), "rev-parse", "--short", "HEAD"]
    try:
        return subprocess.run(asked, capture_output=True, text=True, check=False).stdout.strip()
    except OSError:
        return ""


# a process that dies does not close its files; here they are closed when they are collected
@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.slow
@pytest.mark.parametrize("seed", [*range(20), *PINNED])
def test_whatever_is_done_nothing_is_lost_doubled_or_invented(seed, tmp_path, monkeypatch):
    world = lived(seed, tmp_path / "world", monkeypatch)
    assert [] == check(world), "\n".join([f"seed {seed}, commit {commit()}", *world.told])


@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.long
def test_a_thousand_seeds(tmp_path):
    first, stop = (int(n) for n in os.environ.get("CONDMON_SEEDS", "0:1000").split(":"))
    found, done = [], set[str]()
    for seed in range(first, stop):
        with pytest.MonkeyPatch.context() as patch:
            try:
                world = lived(seed, tmp_path / str(seed), patch)
                wrong, told = check(world), world.told
                done |= world.done
            except Exception as error:  # noqa: BLE001 - the other seeds are run all the same
                wrong, told = [repr(error)], []
        if wrong:
            found.append(seed)
            print(f"seed {seed}, commit {commit()}: {wrong}", *told, sep="\n  ", flush=True)
        shutil.rmtree(tmp_path / str(seed))
        if seed % 25 == 24:
            print(
                f"{seed + 1 - first} of {stop - first} seeds, {len(found)} with a fault", flush=True
            )
    print("done to them:", *sorted(done))
    assert [] == found
