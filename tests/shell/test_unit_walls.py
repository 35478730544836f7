"""Behind the walls of their units daemon, backup and all they start do their work."""

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
import requests

from tests.brokers import free_port
from tests.daemons import MILL, Daemon
from tests.receivers import web
from tests.shell.test_watch import publish
from tests.tsserver import Scripted
from tests.waiting import until

__all__ = ["web"]
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        not shutil.which("systemd-analyze"), reason="needs systemd-analyze for its groups of calls"
    ),
]
ROOT = Path(__file__).resolve().parents[2]
UNIT, BACKUP = ROOT / "deploy/condmon.service", ROOT / "deploy/condmon-backup.service"
MORE = """
[web]
listen = "127.0.0.1"
port = {page}
own_certificate = true
install_port = 0
[influx]
url = "{server}"
[[send.webhook]]
url = "{gate}"
"""
CHILDREN = (
    "tests/shell/test_history_chore.py::test_a_night_seals_in_another_process_and_tells_it_in_the_"
    "log_and_what_went_in_an_entry",
    "tests/shell/test_learning.py::test_too_few_days_are_told_in_words_and_give_no_model",
    "tests/shell/test_whatif.py::test_it_gives_way_to_the_watch",
    "tests/shell/test_timeserver.py::test_clock_that_is_set_is_well_and_one_that_is_set_no_more_"
    "counts_from_the_first_no",
)  # what the daemon and its page start as processes of their own


def behind(unit: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "tests.walls", str(unit), *words],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=300,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip


@pytest.mark.parametrize("wrong", [
    "os.sched_setaffinity(0, {0})", "os.chroot('/')", "os.mount"
    " if False else ctypes.CDLL(None).mount(b'x', b'/mnt', b'tmpfs', 0, None)",
])  # fmt: skip
def test_the_walls_stand(wrong):
    done = behind(UNIT, sys.executable, "-c", f"import ctypes, os\n{wrong}\nprint('through')")
    assert (-signal.SIGSYS, "") == (done.returncode, done.stdout), done.stderr


def test_no_memory_can_be_written_and_run():
    code = "import mmap; mmap.mmap(-1, 4096, prot=mmap.PROT_WRITE | mmap.PROT_EXEC)"
    assert "PermissionError" in behind(UNIT, sys.executable, "-c", code).stderr


@pytest.mark.broker
def test_the_daemon_with_its_page_and_all_ways_out_lives_behind_them(tmp_path, mosquitto, web):
    far, page = Scripted().open(), free_port()
    text = MILL + MORE.format(page=page, server=far.url, gate=web.url)
    around = (sys.executable, "-m", "tests.walls", str(UNIT))
    daemon = Daemon(tmp_path / "d", mosquitto.url, text, around).start()
    try:
        daemon.until_logged("connected to the broker")
        daemon.until_logged("the page listens")
        until(lambda: publish(mosquitto.port, 60.0) and web.requests, 20, "a message by webhook")
        until(lambda: far.taken, 20, "samples in the time-series server")
        first = requests.get(f"https://127.0.0.1:{page}/first", timeout=10,
                             verify=str(daemon.store / "tls" / "authority.pem"))  # fmt: skip
        assert 200 == first.status_code
        daemon.config.write_text(daemon.config.read_text().replace("bearing > 50", "bearing > 51"))
        assert daemon.process is not None
        daemon.process.send_signal(signal.SIGHUP)
        until(lambda: daemon.log().count("connected to the broker") == 2, 20, "taken anew")
        words = ("backup", str(tmp_path / "b"), "-c", str(daemon.config))
        done = behind(BACKUP, sys.executable, "-m", "condmon", *words)
        assert 0 == done.returncode, done.stderr
        assert 0 == daemon.stop()
    finally:
        far.close()
    assert "Traceback" not in daemon.errors()
    assert "fault" not in daemon.log()


def test_what_the_daemon_starts_beside_itself_does_its_work_behind_them():
    done = behind(UNIT, sys.executable, "-m", "pytest", "-p", "no:cacheprovider", *CHILDREN)
    assert 0 == done.returncode, done.stdout + done.stderr
