"""Messages a second of the whole daemon against a bare subscriber, on one mosquitto, in turns.

Backlog style: with the consumer away a publisher fills its persistent session, then the consumer
drains it; the time counts from before the connection to the last message or acknowledgement. The
daemon's messages are decoded, on disk (synchronous FULL), acknowledged and judged by the engine
with the shipped checks; the bare subscriber has an empty callback and the client library's
automatic acknowledgement. Prints one JSON line; `ratio` is daemon over bare, each the median of its
rounds. `ratio_cpu` compares processor time a message (start and end included), which a busy machine
stretches less.

    python tests/bench/ingest.py [--messages 20000] [--rounds 3] [--profile]
"""

import argparse
import json
import logging
import statistics
import sys
import tempfile
import time
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from condmon import log
from condmon.clock import Clock
from condmon.config import load
from condmon.daemon.service import Service
from tests.brokers import Mosquitto
from tests.waiting import until

SIGNALS = 40
FILTER = "pier/mill-1/#"
CONFIG = """
[site]
name = "North Pier Optics"
[broker]
url = "{url}"
client_id = "daemon"
[store]
path = "store-{n}"
disk_min_mb = 1
[[machine]]
id = "mill-1"
name = "Five-axis mill"
"""
SIGNAL = """[machine.signal.{name}]
topic = "pier/mill-1/{name}"
role = "{role}"
unit = "{unit}"
value = "/v"
time = "/t"
"""
ROLES = [("bearing_temperature", "Cel"), ("spindle_speed", "/min"), ("air_flow", "L/min"),
         ("coolant_supply_temperature", "Cel")]  # fmt: skip


def config_text(url: str, n: int) -> str:
    """40 measures of one machine, in four roles that the shipped checks look at."""
    text = CONFIG.format(url=url, n=n)
    for i in range(SIGNALS):
        role, unit = ROLES[i % len(ROLES)]
        text += SIGNAL.format(name=f"s{i}", role=role, unit=unit)
    return text


def fill(port: int, count: int, begin_s: float) -> None:
    """Publish `count` messages of 40 signals at 1 Hz each; own time and number inside."""
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    client.max_inflight_messages = 1000
    client.connect("127.0.0.1", port)
    client.loop_start()
    for n in range(count):
        at, i = begin_s + n / SIGNALS, n % SIGNALS
        value = {0: 38.4, 1: 8000.0, 2: 12.0, 3: 21.0}[i % 4] + n % 7 / 10
        last = client.publish(f"pier/mill-1/s{i}", f'{{"v":{value},"n":{n},"t":{at:.3f}}}', qos=1)
    last.wait_for_publish(60)
    client.disconnect()
    client.loop_stop()


class Bare:
    """The yardstick: the client library's own thread, an empty callback, automatic ack."""

    name = "bare"

    def __init__(self, port: int) -> None:
        self._port = port
        self._client: paho.Client | None = None

    def connect(self) -> None:
        self._client = client = paho.Client(
            paho.CallbackAPIVersion.VERSION2, client_id=self.name, protocol=paho.MQTTv5
        )
        self.count, self.first_s, self.last_s = 0, 0.0, 0.0
        client.on_message = self._on_message
        client.on_connect = lambda c, *_: c.subscribe(FILTER, qos=1)
        asked = Properties(PacketTypes.CONNECT)
        asked.SessionExpiryInterval = 3600
        asked.ReceiveMaximum = 2000
        client.connect("127.0.0.1", self._port, clean_start=False, properties=asked)
        client.loop_start()
        until(client.is_connected, 10, "connected")

    def _on_message(self, *_: object) -> None:
        self.count += 1

    def drain(self, count: int, _now_s: float) -> float:
        began_s = time.perf_counter()
        self.connect()
        while self.count < count:
            time.sleep(0.002)
        took_s = time.perf_counter() - began_s
        self.leave()
        return took_s

    def leave(self) -> None:
        assert self._client is not None
        self._client.disconnect()
        self._client.loop_stop()


class Daemon:
    """The whole path, in this process like the yardstick; done when all is acknowledged."""

    name = "daemon"

    def __init__(self, folder: Path, url: str, profile: bool) -> None:
        self._folder = folder
        self._url = url
        self._profile = profile
        self._round = 0
        path = folder / "condmon.toml"
        path.write_text(config_text(url, 0))
        self._config = load(path)

    def connect(self) -> None:
        self._service = Service(self._config, Clock())
        self._service.start()
        while not self._service.mqtt.up:
            self._service.step()

    def drain(self, count: int, now_s: float) -> float:
        self._service = Service(self._config, Clock(start_us=round(now_s * 1e6)))
        began_s = time.perf_counter()
        self._service.start()
        if self._profile:
            import cProfile

            cProfile.runctx("self._drain(count)", globals(), locals(), sort="cumulative")
        else:
            self._drain(count)
        took_s = time.perf_counter() - began_s
        self.leave()
        return took_s

    def _drain(self, count: int) -> None:
        while self._service.mqtt.counts.acknowledged < count:
            self._service.step()

    def leave(self) -> None:
        self._service.stop()


def main() -> None:
    """Fill and drain in turns, then print one JSON line."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--messages", type=int, default=20_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--profile", action="store_true")
    args = parser.parse_args()
    log.set_up(sys.stderr.buffer, logging.WARNING)
    with tempfile.TemporaryDirectory() as name:
        broker = Mosquitto(Path(name) / "broker").start()
        try:
            sides = [Bare(broker.port), Daemon(Path(name), broker.url, args.profile)]
            for side in sides:  # make the sessions
                side.connect()
                time.sleep(0.3)
                side.leave()
            rates: dict[str, list[float]] = {side.name: [] for side in sides}
            cpu: dict[str, list[float]] = {side.name: [] for side in sides}
            now_s = time.time()
            for _ in range(args.rounds):  # each tells of the minutes after the one before
                fill(broker.port, args.messages, now_s)
                now_s += args.messages / SIGNALS
                for side in sides:
                    used = time.process_time()
                    rates[side.name].append(args.messages / side.drain(args.messages, now_s))
                    cpu[side.name].append((time.process_time() - used) / args.messages * 1e6)
        finally:
            broker.stop()
    middle = {name: statistics.median(values) for name, values in rates.items()}
    print(json.dumps({
        "bench": "ingest", "messages": args.messages, "rounds": args.rounds,
        "daemon_per_s": round(middle["daemon"]), "bare_per_s": round(middle["bare"]),
        "ratio": round(middle["daemon"] / middle["bare"], 2),
        "cpu_us_a_message": {name: round(statistics.median(us), 1) for name, us in cpu.items()},
        "ratio_cpu": round(statistics.median(cpu["bare"]) / statistics.median(cpu["daemon"]), 2),
        "all": {name: [round(value) for value in values] for name, values in rates.items()},
    }))  # fmt: skip


if __name__ == "__main__":
    main()
