"""Messages a second of the whole daemon against a bare subscriber, on one mosquitto, in turns.

Five machines of 40 signals each, with the roles and values of the benches' day (`day.py`); a
message holds one value, or with `--values 40` all of one machine at a second. Backlog style: with
the consumer away a publisher fills its persistent session, then the consumer drains it; the time
counts from before the connection to the last message or acknowledgement. The daemon's messages are
decoded, on disk (synchronous FULL), acknowledged and judged by the engine with the shipped checks;
the bare subscriber has an empty callback and the client library's automatic acknowledgement. Prints
one JSON line; `ratio` is daemon over bare, each the median of its rounds. `ratio_cpu` compares
processor time a message (start and end included), which a busy machine stretches less. `stream.py`
measures delay and memory under a steady load.

    python -m tests.bench.ingest [--values 1] [--messages 20000] [--rounds 3] [--profile]
"""

import argparse
import json
import logging
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import paho.mqtt.client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from condmon import log
from condmon.clock import Clock
from condmon.config import load
from condmon.daemon.service import Service
from tests.bench.day import SIGNALS, columns
from tests.brokers import Mosquitto
from tests.waiting import until

MACHINES = 5
FILTER = "pier/#"
NOON_S = 12 * 3600
CONFIG = """
[site]
name = "North Pier Optics"
timezone = "Europe/Oslo"
unattended = ["Mon-Fri 20:00-06:00"]
[broker]
url = "{url}"
client_id = "daemon"
[store]
path = "store"
disk_min_mb = 1
"""
MACHINE = """[[machine]]
id = "mill-{m}"
name = "Mill {m}"
"""
SIGNAL = """[machine.signal.{name}]
topic = "{topic}"
role = "{role}"
value = "{pointer}"
time = "/t"
{more}
"""


def config_text(url: str, values: int) -> str:
    """Five machines of 40 signals, each on a topic of its own or all of a machine on one."""
    text = CONFIG.format(url=url)
    for m in range(MACHINES):
        text += MACHINE.format(m=m)
        for name, role, more in SIGNALS:
            topic, pointer = (
                (f"pier/{m}/{name}", "/v") if values == 1 else (f"pier/{m}", f"/{name}")
            )
            text += SIGNAL.format(name=name, topic=topic, role=role, pointer=pointer, more=more)
    return text


class Messages:
    """Endless messages in order, each signal at 1 Hz, from noon of the day on."""

    def __init__(self, values: int) -> None:
        self.values = values
        self.a_second = MACHINES * len(SIGNALS) // values
        rows = np.stack([columns()[name] for name, _, _ in SIGNALS], axis=1)
        self._rows = np.nan_to_num(rows[NOON_S : NOON_S + 1800]).tolist()
        self._names = [name for name, _, _ in SIGNALS]
        self._parts = [
            ", ".join(f'"{n}": {v}' for n, v in zip(self._names, row, strict=True))
            for row in self._rows
        ]

    def message(self, n: int, own_s: float) -> tuple[str, str]:
        """Topic and payload of message n, with its own time inside."""
        second, place = divmod(n, self.a_second)
        second %= len(self._rows)
        if self.values > 1:
            return f"pier/{place}", f'{{"t": {own_s:.6f}, {self._parts[second]}}}'
        machine, signal = divmod(place, len(self._names))
        value = self._rows[second][signal]
        return f"pier/{machine}/{self._names[signal]}", f'{{"v": {value}, "t": {own_s:.6f}}}'


def fill(port: int, messages: Messages, count: int, begin_s: float) -> None:
    """Publish so many messages; their own times begin there."""
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    client.max_inflight_messages = 1000
    client.connect("127.0.0.1", port)
    client.loop_start()
    for n in range(count):
        last = client.publish(*messages.message(n, begin_s + n / messages.a_second), qos=1)
    last.wait_for_publish(120)
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

    def __init__(self, folder: Path, url: str, values: int, profile: bool) -> None:
        self._profile = profile
        path = folder / "condmon.toml"
        path.write_text(config_text(url, values))
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
    """Measure and print one JSON line."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--values", type=int, choices=(1, len(SIGNALS)), default=1)
    parser.add_argument("--messages", type=int, default=20_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--profile", action="store_true")
    args = parser.parse_args()
    log.set_up(sys.stderr.buffer, logging.WARNING)
    print(json.dumps(measured(args.values, args.messages, args.rounds, profile=args.profile)))


def measured(values: int, count: int, rounds: int, *, profile: bool = False) -> dict[str, object]:
    """Fill and drain in turns."""
    messages = Messages(values)
    load_1 = os.getloadavg()[0]
    with tempfile.TemporaryDirectory() as name:
        broker = Mosquitto(Path(name) / "broker").start()
        try:
            sides = [Bare(broker.port), Daemon(Path(name), broker.url, values, profile)]
            for side in sides:  # make the sessions
                side.connect()
                time.sleep(0.3)
                side.leave()
            rates: dict[str, list[float]] = {side.name: [] for side in sides}
            cpu: dict[str, list[float]] = {side.name: [] for side in sides}
            now_s = time.time()
            for _ in range(rounds):  # each tells of the minutes after the one before
                fill(broker.port, messages, count, now_s)
                now_s += count / messages.a_second
                for side in sides:
                    used = time.process_time()
                    rates[side.name].append(count / side.drain(count, now_s))
                    cpu[side.name].append((time.process_time() - used) / count * 1e6)
        finally:
            broker.stop()
    middle = {name: statistics.median(found) for name, found in rates.items()}
    return {
        "bench": "ingest", "signals": MACHINES * len(SIGNALS), "values_a_message": values,
        "messages": count, "rounds": rounds,
        "daemon_per_s": round(middle["daemon"]), "bare_per_s": round(middle["bare"]),
        "values_per_s": round(middle["daemon"] * values),
        "ratio": round(middle["daemon"] / middle["bare"], 2),
        "cpu_us_a_message": {name: round(statistics.median(us), 1) for name, us in cpu.items()},
        "ratio_cpu": round(statistics.median(cpu["bare"]) / statistics.median(cpu["daemon"]), 2),
        "all": {name: [round(value) for value in found] for name, found in rates.items()},
        "load": round(load_1, 1),
    }  # fmt: skip


if __name__ == "__main__":
    main()
