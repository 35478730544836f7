"""Each call to the operating system fails once: nothing is lost, and the next try succeeds."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.nth.works import WORKS

SOURCE = Path(__file__).parent / "nth_call.c"
QUICK = ("Recording", "Journalling", "Reloading")


@pytest.fixture(scope="module")
def library(tmp_path_factory):
    compiler = shutil.which("cc")
    assert compiler, "no C compiler is installed; deploy/test installs one"
    made = tmp_path_factory.mktemp("nth") / "nth_call.so"
    subprocess.run(
        [compiler, "-shared", "-fPIC", "-O1", "-o", str(made), str(SOURCE), "-ldl"], check=True
    )
    return made


def loop(library, folder, error, every, *works):
    """What the loop found, one row a work."""
    ran = subprocess.run(
        [sys.executable, "-m", "tests.nth.loop",
         str(library), str(folder), error, str(every), *works],
        env={**os.environ, "LD_PRELOAD": str(library), "PYTHONHASHSEED": "0"},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert 0 == ran.returncode, ran.stderr
    return [json.loads(line) for line in ran.stdout.splitlines() if line.startswith("{")]


def test_every_seventh_call_that_is_cut_short_leaves_everything_whole(library, tmp_path):
    rows = loop(library, tmp_path, "short", 7, *QUICK)
    assert list(QUICK) == [row["work"] for row in rows]
    assert [[], [], []] == [row["wrong"] for row in rows]
    assert all(row["calls"] >= least for row, least in zip(rows, (80, 100, 4), strict=True))


def test_reads_that_the_disk_refuses_once_set_no_recording_aside(library, tmp_path):
    [row] = loop(library, tmp_path, "EIO", 5, "Reading")
    assert [] == row["wrong"]
    assert row["calls"] >= 80


@pytest.mark.long
@pytest.mark.parametrize("error", ["EIO", "ENOSPC", "short"])
@pytest.mark.parametrize("work", WORKS)
def test_whichever_call_fails_everything_stays_whole(library, tmp_path, work, error):
    [row] = loop(library, tmp_path, error, 1, work)
    print(row["work"], row["error"], row["calls"], "calls")
    assert [] == row["wrong"]
