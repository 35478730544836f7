"""A real mosquitto on a free loopback port, for tests and benchmarks."""

import os
import signal
import socket
import subprocess
from pathlib import Path

from tests.waiting import until

QUEUES = """
persistence true
autosave_interval 1
max_queued_messages 0
max_queued_bytes 0
max_inflight_messages 2000
allow_anonymous true
log_dest file {folder}/mosquitto.log
"""


def free_port() -> int:
    """A port of loopback that nobody uses now."""
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port: int = sock.getsockname()[1]
        return port


class Mosquitto:
    """Started, stopped, frozen and killed by its pid; its folder keeps sessions and messages."""

    def __init__(self, folder: Path, text: str = QUEUES, listener: str = "") -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.port = free_port()
        self.folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        lines = [f"listener {self.port} 127.0.0.1", listener, text.format(folder=folder)]
        lines.append(f"persistence_location {folder}/")
        if os.geteuid() == 0:
            lines.append("user root")
        self._conf = folder / "mosquitto.conf"
        self._conf.write_text("\n".join(lines) + "\n")

    @property
    def url(self) -> str:
        return f"mqtt://127.0.0.1:{self.port}"

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def start(self) -> "Mosquitto":
        path = os.environ["PATH"] + ":/usr/sbin:/usr/local/sbin"
        self._process = subprocess.Popen(
            ["mosquitto", "-c", str(self._conf)],
            env={**os.environ, "PATH": path},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until(self._answers, 10, "mosquitto listens")
        return self

    def _answers(self) -> bool:
        with socket.socket() as sock:
            sock.settimeout(1)
            return sock.connect_ex(("127.0.0.1", self.port)) == 0

    def said(self, words: str) -> int:
        """How often it said so in its log."""
        return (self.folder / "mosquitto.log").read_text().count(words)

    def freeze(self) -> None:
        os.kill(self.pid, signal.SIGSTOP)

    def thaw(self) -> None:
        os.kill(self.pid, signal.SIGCONT)

    def stop(self) -> None:
        """End it as the service manager would: what waits is saved."""
        if self._process is not None:
            self.thaw()
            self._process.terminate()
            self._process.wait(20)
            self._process = None

    def restart(self) -> None:
        self.stop()
        self.start()
