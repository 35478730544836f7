"""The nightly work: in a process of its own, told in log and entry, ended with the daemon."""

import subprocess
import sys
import threading

import pytest
import structlog

from condmon.config.shape import Store
from condmon.engine.records import SECOND_US
from condmon.history.chore import Nightly
from condmon.history.places import Places
from condmon.history.seal import pending
from tests.recorded import DAY_US, MONDAY, MONDAY_US, SIGNALS, Folder
from tests.waiting import until


@pytest.fixture(scope="module")
def few_days(tmp_path_factory):
    folder = Folder(tmp_path_factory.mktemp("few") / "store")
    folder.day(MONDAY_US, every_s=3600)
    for number in (1, 2, 3):
        folder.begin_day(MONDAY_US + number * DAY_US)
    folder.snapshot()
    return folder.closed()


@pytest.fixture
def folder(tmp_path, few_days):
    folder = few_days.copied(tmp_path / "store")
    yield folder
    folder.recorder.close()


def nightly(folder: Folder, notes: list[str], keep_recordings_s: float = 1e9) -> Nightly:
    store = Store(folder.path, keep_recordings_s=keep_recordings_s)
    return Nightly(store, SIGNALS, folder.clock, notes.append)


def test_a_night_seals_in_another_process_and_tells_it_in_the_log_and_what_went_in_an_entry(folder):
    notes: list[str] = []
    work = nightly(folder, notes, keep_recordings_s=86_400.0)
    with structlog.testing.capture_logs() as lines:
        work.run_if_pending()
    sealed = [line for line in lines if line["event"] == "recording sealed"]
    assert ["stream-2025-11-24.db", "stream-2025-11-25.db", "stream-2025-11-26.db"] == [
        line["recording"] for line in sealed
    ]
    assert [72, 0, 0] == [line["samples"] for line in sealed]
    assert 0 < lines[-1]["peak_mb"] < 400
    assert [MONDAY] == Places(folder.path).days()
    [text] = notes
    assert text.startswith("removed from the data folder: recording stream-2025-11-24")
    assert (False, 0) == (pending(folder.path), work._process.returncode)
    work._process = None
    work.run_if_pending()  # nothing is left: no process is started
    assert work._process is None


def test_memory_that_is_told_is_that_of_the_child_and_not_of_who_started_it():
    """A process that has taken 300 MB starts one that takes next to none."""
    large = (
        "import subprocess, sys; mine = b'1' * 300_000_000;"
        "small = 'from condmon.memory import peak_mb; print(peak_mb())';"
        "subprocess.run([sys.executable, '-c', small], check=True)"
    )
    out = subprocess.run([sys.executable, "-c", large], capture_output=True, check=True, text=True)
    assert 1 < int(out.stdout) < 100


def test_a_refusal_is_told_in_words_and_the_next_run_goes_on(folder):
    way = folder.path / "history"
    way.write_text("in the way")
    with structlog.testing.capture_logs() as lines:
        nightly(folder, []).run()
    assert ["days cannot be sealed", "the history was not finished"] == [
        line["event"] for line in lines if line["log_level"] == "error"
    ]
    assert "recordings stay until they are sealed" in lines[0]["error"]
    way.unlink()
    nightly(folder, []).run()
    assert not pending(folder.path)


def test_stopping_ends_the_process_and_starts_no_other(folder, monkeypatch):
    waits = [sys.executable, "-c", "import sys, time; sys.stdin.read(); time.sleep(60)"]
    real = subprocess.Popen
    monkeypatch.setattr(
        "condmon.history.chore.subprocess.Popen", lambda _, **more: real(waits, **more)
    )
    work = nightly(folder, [])
    thread = threading.Thread(target=work.run)
    thread.start()
    until(lambda: work._process is not None, 10)
    work.stop()
    thread.join(10)
    assert not thread.is_alive()
    assert -9 == work._process.returncode
    work._process = None
    work.run()
    assert work._process is None


def test_a_passed_budget_that_cannot_be_met_is_an_error(folder):
    (folder.path / "filler").write_bytes(bytes(2_000_000))
    work = Nightly(Store(folder.path, disk_max_mb=1), SIGNALS, folder.clock, lambda _: None)
    with structlog.testing.capture_logs() as lines:
        work.run()
    assert ["the disk budget is passed"] == [
        line["event"] for line in lines if line["log_level"] == "error"
    ]


def test_the_daemon_never_loads_what_reads_tables():
    code = (
        "import sys, condmon.daemon.service, condmon.history.store; print('pyarrow' in sys.modules)"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, text=True)
    assert "False\n" == out.stdout


def test_the_clock_that_ages_things_is_the_daemons(folder):
    notes: list[str] = []
    folder.clock.pass_s(800 * 86_400)
    nightly(folder, notes).run()
    assert "samples of 2025-11-24" in notes[0]
    assert SECOND_US < folder.clock.now_us()
