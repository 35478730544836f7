"""The daemon as a process of its own, for tests that start, stop and kill it."""

import os
import signal
import subprocess
import sys
from pathlib import Path

from condmon.store import lock
from tests.waiting import until

HEAD = """
[site]
name = "North Pier Optics"
timezone = "Europe/Oslo"
[broker]
url = "{url}"
client_id = "condmon-test"
keepalive = "5 s"
[store]
path = "store"
disk_min_mb = 1
"""
MILL = """
[[machine]]
id = "mill-1"
name = "Five-axis mill"
[machine.signal.bearing]
topic = "pier/mill-1/bearing"
role = "bearing_temperature"
unit = "Cel"
value = "/v"
time = "/t"
step_max = 1000
[machine.signal.number]
topic = "pier/mill-1/bearing"
kind = "measure"
unit = "1"
value = "/n"
time = "/t"
[[check]]
id = "bearing-over-limit"
machines = ["mill-1"]
when = "bearing > 50"
hold = "1 s"
release = "1 s"
urgency = "now"
title = "Bearing hot"
why = "A bearing that runs hot wears."
look_first = ["the oil"]
"""


class Daemon:
    """`condmon run` on one folder; its log lines go to a file there."""

    def __init__(
        self, folder: Path, url: str, text: str = MILL, around: tuple[str, ...] = ()
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.around = around  # words before the command
        self.warnings = "error"  # what a warning of Python's is
        self.notify = ""  # where a service manager listens
        self.store = folder / "store"
        self.config = folder / "condmon.toml"
        self.config.write_text(HEAD.format(url=url) + text)
        self.process: subprocess.Popen[bytes] | None = None

    def start(self, log: Path | None = None) -> "Daemon":
        with (
            (log or self.folder / "log.jsonl").open("ab") as out,
            (self.folder / "err").open("ab") as err,
        ):
            self.process = subprocess.Popen(
                [*self.around, sys.executable, "-W", self.warnings, "-m", "condmon", "run", "-c",
                 str(self.config)],
                stdout=out, stderr=err, env={**os.environ, "NOTIFY_SOCKET": self.notify},
            )  # fmt: skip
        return self

    def until_locked(self) -> None:
        assert self.process is not None
        pid = self.process.pid
        until(lambda: lock.holder(self.store) == pid, 20, "the daemon has its folder")

    def until_logged(self, words: str, seconds: float = 20) -> None:
        until(lambda: words in self.log(), seconds, f"{words!r} in the log")

    def log(self) -> str:
        return (self.folder / "log.jsonl").read_text()

    def errors(self) -> str:
        return (self.folder / "err").read_text()

    def kill(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(10)

    def stop(self) -> int:
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(20)
