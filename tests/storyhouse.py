"""A daemon whose days pass as fast as it can take them, and its commands, for the service story."""

import contextlib
import io
import json
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from condmon.cli import main
from condmon.config import load
from condmon.daemon.service import Service
from condmon.engine.outputs import Alert, Entry
from condmon.engine.records import SECOND_US, Beacon
from condmon.store.journal import Reader
from tests.brokers import Mosquitto, free_port
from tests.fakes import FakeClock
from tests.storyshop import DAY_S, Mill, Wear, config
from tests.waiting import until

MONDAY_US = 1_762_128_000 * SECOND_US  # 2025-11-03T00:00:00Z
WEB = '[web]\nlisten = "127.0.0.1"\nport = {port}\n'


class StoryClock(FakeClock):
    """The wall goes by the story; what waits for the broker goes by the real clock."""

    def monotonic_s(self) -> float:
        return time.monotonic()


class StoryHouse:
    """The daemon in a thread of the test, fed beside the broker a day at a time."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._broker = Mosquitto(folder / "broker").start()
        self.port = free_port()
        self.path = folder / "condmon.toml"
        self.path.write_text(config(self._broker.url, WEB.format(port=self.port)), encoding="utf-8")
        self.config = load(self.path)
        self.clock = StoryClock(MONDAY_US)
        self.service = Service(self.config, self.clock)
        assert self.service.page is not None
        self.page, self.parts = self.service.page, self.service.page.parts
        self.days = 0
        self._mill = Mill(self.config.settings, 3)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.service.run, args=(self._stop,), daemon=True)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> "StoryHouse":
        self._thread.start()
        until(lambda: self.service.mqtt.up and self.page.port, 20, "the daemon is up")
        return self

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(20)
        self._broker.stop()
        assert not self._thread.is_alive()

    def live(self, days: int, wear: Wear | Callable[[int], Wear]) -> None:
        """Let days pass; `wear` may depend on the day."""
        for _ in range(days):
            now = wear(self.days) if callable(wear) else wear
            start_us = MONDAY_US + self.days * DAY_S * SECOND_US
            self.days += 1
            end_us = MONDAY_US + self.days * DAY_S * SECOND_US
            self.service.inbox.put_action(self._mill.day(start_us, now))
            self.service.inbox.put_action(Beacon(end_us))
            self.clock.not_before(end_us)
            until(lambda end=end_us: self.service.standing.now_us >= end, 60, "the day is judged")
        self.service._snapshot_asked.set()  # commands read on from there
        until(lambda: not self.service._snapshot_asked.is_set(), 20, "a snapshot is kept")

    def say(self, *words: str, fails: int = 0) -> list[dict[str, Any]]:
        """Run `condmon service` and give its rows; with `fails` that exit code and no rows."""
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = main(["service", "-c", str(self.path), "--json", *words])
        assert fails == code, (code, err.getvalue(), out.getvalue())
        if fails:
            return [{"error": err.getvalue()}]
        rows = [line for line in out.getvalue().splitlines() if line.startswith("{")]
        return [json.loads(line) for line in rows]  # the daemon's own log may come between

    def alerts(self, **only: object) -> list[Alert]:
        """Alerts of the mill, as they stand."""
        with Reader(self.config.store.path) as reader:
            found = [a for a in reader.alerts() if a.machine == "mill-1"]
        return [a for a in found if all(getattr(a, k) == v for k, v in only.items())]

    def entries(self, kind: str = "service") -> list[Entry]:
        """Lines of the log of one kind, oldest first."""
        with Reader(self.config.store.path) as reader:
            return reader.entries(10_000, kind=kind)[::-1]

    def told(self) -> list[tuple[str, str, int]]:
        """(urgency, title, day) of the messages that were to reach a person about the mill."""
        with Reader(self.config.store.path) as reader:
            rows = reader._rows("SELECT body FROM message ORDER BY at_us")
        found = [json.loads(row[0]) for row in rows]
        return [
            (m["urgency"], m["title"], (m["at_us"] - MONDAY_US) // (DAY_S * SECOND_US))
            for m in found
            if m["machine"] == "mill-1"
        ]
