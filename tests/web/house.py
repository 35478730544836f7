"""A whole daemon with its page in a thread of the test, fed through a real broker or directly."""

import threading
from pathlib import Path

import numpy as np
import requests

from condmon.clock import Clock
from condmon.config import load
from condmon.daemon.service import Service
from condmon.engine import records as rec
from condmon.engine.records import samples
from tests.brokers import Mosquitto, free_port
from tests.waiting import until

TEXT = """
[site]
name = "North Pier Optics"
timezone = "Europe/Oslo"
lateness = "0 s"
[broker]
url = "{broker}"
client_id = "condmon-page-test"
[store]
path = "store"
disk_min_mb = 1
[web]
listen = "127.0.0.1"
port = {port}
{web}
[plan.now]
remind_after = ["15 min", "1 h"]
tell_end = true
{more}
[[machine]]
id = "mill-1"
name = "Five-axis mill"
[machine.duty]
off = "not power"
turning = "spindle_speed > 50"
[machine.signal.power]
topic = "pier/mill-1/power"
role = "power"
[machine.signal.spindle_speed]
topic = "pier/mill-1/speed"
role = "spindle_speed"
[machine.signal.bearing_upper]
topic = "pier/mill-1/bearing/upper"
role = "bearing_temperature"
place = "upper"
title = "upper spindle bearing"
trip = 55
step_max = 1000
[machine.signal.bearing_lower]
topic = "pier/mill-1/bearing/lower"
role = "bearing_temperature"
place = "lower"
title = "lower spindle bearing"
trip = 55
[machine.signal.coolant]
topic = "pier/mill-1/coolant"
role = "coolant_supply_temperature"
setpoint = 20
tolerance = 2
[machine.signal.door_closed]
topic = "pier/mill-1/door"
role = "door_closed"
[[machine]]
id = "mill-2"
name = "Three-axis mill"
[machine.signal.power]
topic = "pier/mill-2/power"
role = "power"
[[check]]
id = "nose-bearing-hot"
machines = ["mill-1"]
when = "bearing_upper > 50"
hold = "1 s"
release = "1 s"
urgency = "now"
title = "upper spindle bearing is hot"
why = "A bearing that runs hot wears in hours instead of years and takes the spindle with it."
look_first = ["Is the bearing's oil coming? Count its pulses.", "Feel for air at the seal."]
caution = "The spindle may be hot and coasting: lock out, wait until it stands."
[[check]]
id = "door-open-while-turning"
machines = ["mill-1"]
when = "spindle_speed > 50 and not door_closed"
hold = "1 s"
release = "1 s"
urgency = "today"
title = "the door is open while the spindle turns"
why = "Chips and hands do not go together."
look_first = ["Is someone setting up?"]
caution = "Keep hands out while it turns."
"""
NOWHERE = "mqtt://127.0.0.1:1"
PASSWORD = "a long enough word"


class Client:
    """A browser's half of the conversation, following nothing by itself."""

    def __init__(self, url: str, headers: dict[str, str]) -> None:
        self._url, self._headers = url, headers
        self._session = requests.Session()

    def ask(self, method: str, path: str, **how) -> requests.Response:
        headers = self._headers | how.pop("headers", {})
        return self._session.request(
            method, self._url + path, headers=headers, allow_redirects=False, timeout=15, **how
        )

    def get(self, path: str, **how) -> requests.Response:
        return self.ask("GET", path, **how)

    def post(self, path: str, **how) -> requests.Response:
        return self.ask("POST", path, **how)


class House:
    """The daemon with its page on a free port; `feed` puts samples in beside the broker."""

    def __init__(self, folder: Path, broker: str = "", web: str = "", more: str = "",
                 ways=lambda config: (), clock: Clock | None = None) -> None:  # fmt: skip
        folder.mkdir(parents=True, exist_ok=True)
        self._broker = None if broker else Mosquitto(folder / "broker")
        broker = broker or self._broker.url
        self.port = free_port()
        self.config_path = folder / "condmon.toml"
        self.config_path.write_text(
            TEXT.format(broker=broker, port=self.port, web=web, more=more), encoding="utf-8"
        )
        self.config = load(self.config_path)
        self.scheme = "https" if self.config.web.cert_file else "http"
        self.clock = clock or Clock()
        self.service = Service(self.config, self.clock, ways(self.config))
        assert self.service.page is not None
        self.page = self.service.page
        self.parts = self.page.parts
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self.service.run, args=(self._stop,), daemon=True)

    @property
    def url(self) -> str:
        return f"{self.scheme}://127.0.0.1:{self.port}"

    def start(self) -> "House":
        if self._broker:
            self._broker.start()
        self._thread.start()
        until(lambda: self.page.port, 20, "the page listens")
        until(self._looked, 20, "the engine has looked")
        return self

    def _looked(self) -> bool:
        seen = self.page.live.seen()
        return seen is not None and seen.view.at_us > 0

    def stop(self) -> None:
        self._stop.set()
        if not self._thread.ident:  # never started
            self.service.stop()
            return
        self._thread.join(20)
        if self._broker:
            self._broker.stop()
        assert not self._thread.is_alive()

    def feed(self, machine: str = "mill-1", **values: float) -> None:
        now_us = self.clock.now_us()
        index = {s.name: s.index for s in self.config.settings.signals if s.machine == machine}
        rows = [
            (index[name], now_us, rec.NO_TIME, float(value), rec.GOOD, 0, 0)
            for name, value in values.items()
        ]
        self.service.inbox.put_action(samples(rows))

    def healthy(self) -> None:
        """All signals as they are on a good day."""
        self.feed(power=1, spindle_speed=8000, bearing_upper=34.2, bearing_lower=33.1, coolant=20.4,
                  door_closed=1)  # fmt: skip
        self.feed("mill-2", power=0)

    def alerts(self, **only: object) -> list:
        with self.parts.reader() as reader:
            return [
                a
                for a in reader.alerts()
                if all(getattr(a, name) == value for name, value in only.items())
            ]

    def raise_alert(self, check: str = "nose-bearing-hot"):
        """Make a check raise and give the alert."""
        before = {a.id for a in self.alerts(check=check)}
        values = {"bearing_upper": 52.5} if check == "nose-bearing-hot" else {"door_closed": 0}

        def raised():
            self.feed(**values)
            return [a for a in self.alerts(check=check) if a.id not in before]

        until(raised, 20, f"{check} is raised", 0.1)
        return raised()[0]

    def end_alert(self, alert_id: str) -> None:
        def ended():
            self.healthy()
            return [a for a in self.alerts(id=alert_id) if a.ended_us is not None]

        until(ended, 20, "the alert is over", 0.1)

    def member(self, name: str, role: str = "operator", password: str = "") -> str:
        """A session's cookie of an account, made if there is none yet."""
        accounts = self.parts.accounts
        if name not in {a.name for a in accounts.all()}:
            accounts.add(name, role, password)
        return accounts.sign_in(name, f"{name}'s phone", "127.0.0.1")

    def client(self, cookie: str = "", **headers: str) -> "Client":
        told = {"Origin": self.url}
        if cookie:
            told |= {"Cookie": f"condmon={cookie}", "X-Form-Token": self.token(cookie)}
        told |= headers
        return Client(self.url, {name: value for name, value in told.items() if value})

    def token(self, cookie: str) -> str:
        from condmon.web.gate import form_token

        return form_token(cookie)


def course(seconds: int, base: float) -> np.ndarray:
    """A day's course of a temperature, seeded."""
    t = np.arange(seconds)
    noise = np.random.default_rng(7).normal(0, 0.15, seconds)
    return base + 4 * np.sin(t / 7000) + noise
