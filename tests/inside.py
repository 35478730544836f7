"""The daemon in a thread of this process, with a look at itself twice a second."""

import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from condmon.clock import Clock
from condmon.config import load
from condmon.daemon.service import Service
from condmon.engine.outputs import Alert
from condmon.senders import make
from condmon.store.journal import Reader
from tests.daemons import HEAD, MILL
from tests.waiting import until

QUICK = '[adjust.condmon-health]\nhold = "1 s"\nrelease = "1 s"\n'
GATE = '[[send.webhook]]\nname = "gate"\nurl = "{url}"\n'


class Inside:
    """Whole, with real threads; `clock` may be wrong, `more` joins the configuration."""

    def __init__(
        self, folder: Path, url: str, more: str, patch: pytest.MonkeyPatch,
        clock: Clock | None = None, head: Callable[[str], str] = str,
    ) -> None:  # fmt: skip
        patch.setattr("condmon.daemon.ownhealth.EVERY_S", 0.5)
        folder.mkdir(parents=True, exist_ok=True)
        self.config = folder / "condmon.toml"
        self.config.write_text(head(HEAD.format(url=url)) + more + MILL)
        config = load(self.config)
        self.store = config.store.path
        self.service = Service(config, clock or Clock(), make(config))
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.service.run, args=(self._stop,))
        self._thread.start()

    def until_up(self) -> None:
        until(lambda: self.service.mqtt.up, 20, "the link is up")

    def alerts(self, signal: str) -> list[Alert]:
        """Alerts on a signal so far, open or not."""
        with Reader(self.store) as reader:
            return [alert for alert in reader.alerts() if signal in alert.signals]

    def texts(self, kind: str) -> list[str]:
        with Reader(self.store) as reader:
            return [entry.text for entry in reader.entries(1000, kind=kind)]

    def live(self, seconds: float, do: Callable[[], object] = lambda: None) -> None:
        """Let so much time pass, doing something ten times a second."""
        end_s = time.monotonic() + seconds
        until(lambda: (do() and False) or time.monotonic() >= end_s, seconds + 20, every_s=0.1)

    def close(self) -> None:
        self._stop.set()
        self._thread.join(20)
        assert not self._thread.is_alive()
