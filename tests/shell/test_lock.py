"""The lock: one daemon a folder, known by its pid, gone with its process."""

import os
import signal
import subprocess
import sys
import threading

import pytest

from condmon.store.lock import NAME, Lock, LockedError, holder
from tests.waiting import until


def test_holder_is_the_pid_in_the_file_and_none_after_release(tmp_path):
    lock = Lock(tmp_path / "new" / "folder")
    assert os.getpid() == holder(tmp_path / "new" / "folder")
    lock.release()
    assert None is holder(tmp_path / "new" / "folder")


def test_second_lock_is_refused_and_names_the_first(tmp_path):
    lock = Lock(tmp_path)
    with pytest.raises(LockedError, match=rf"\(pid {os.getpid()}\).*Stop that one first"):
        Lock(tmp_path)
    assert os.getpid() == holder(tmp_path)
    lock.release()


def test_lock_of_a_killed_process_is_free_again(tmp_path):
    program = (
        "import pathlib, sys, time; from condmon.store.lock import Lock;"
        f"lock = Lock(pathlib.Path({str(tmp_path)!r})); time.sleep(60)"
    )
    process = subprocess.Popen([sys.executable, "-c", program])
    until(lambda: holder(tmp_path) == process.pid, 20)
    process.send_signal(signal.SIGKILL)
    process.wait(10)
    assert None is holder(tmp_path)
    Lock(tmp_path).release()


def test_holder_of_a_missing_folder_or_a_strange_file_is_nobody(tmp_path):
    assert None is holder(tmp_path / "missing")
    (tmp_path / NAME).write_bytes(b"\xff\xfe no pid")
    assert None is holder(tmp_path)
    lock = Lock(tmp_path)
    assert os.getpid() == holder(tmp_path)
    lock.release()


def test_someone_who_only_looks_does_not_keep_a_daemon_from_starting(tmp_path):
    stop = threading.Event()

    def look() -> None:
        while not stop.wait(0.002):
            holder(tmp_path)

    looking = threading.Thread(target=look)
    looking.start()
    try:
        for _ in range(50):
            Lock(tmp_path).release()
    finally:
        stop.set()
        looking.join()


def test_folder_that_cannot_be_made_is_told_in_words(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(LockedError, match="cannot lock the data folder"):
        Lock(tmp_path / "file" / "folder")
