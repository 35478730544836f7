"""Memory of the daemon and of the process that learns: `python -m tests.bench.memory`; one object.

A machine of 40 signals with nine days in the recorder, a sample of each a minute. The daemon comes
up from those recordings, takes 200 seconds of 40 signals over a real broker, and is looked at; once
without the page, once with page and fitted models. Resident sizes as /proc tells them, in MB.
Limits: 80 without the page, 130 with page and models, 400 for the process that learns.
"""

import json
import os
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import paho.mqtt.client as paho
import requests

from condmon.clock import Clock
from condmon.config import load
from condmon.engine import records as rec
from condmon.engine.records import NO_TIME, SECOND_US, Beacon
from condmon.learning.child import Learned
from condmon.learning.models import keep
from condmon.store.recorder import Recorder
from tests.bench.models import machine
from tests.brokers import Mosquitto, free_port
from tests.daemons import HEAD, Daemon
from tests.engine.heat import history

DAYS, SECONDS = 9, 200
LIMITS = {"daemon_mb": 80, "page_mb": 130, "learning_peak_mb": 400}


def shop():
    """The machine's section of the configuration."""
    text = '[[machine]]\nid = "mill-1"\nname = "Mill"\n'
    for signal in machine().signals:
        text += f'[machine.signal.{signal.name}]\ntopic = "pier/{signal.name}"\n'
        text += f'role = "{signal.role}"\n'
        text += f'axis = "{signal.name}"\n' if signal.role.startswith("axis") else ""
    return text


def columns(h, rng):
    """A value of every signal each minute, (minutes, signals); NaN where nothing is sent."""
    on, n = 1.0 - h.off, len(h.minute)
    work = np.nan_to_num(h.speed) / 3000
    known = {"power": on, "spindle_speed": h.speed, "coolant_supply_temperature": h.supply_c,
             "room_temperature": h.room_c, "coolant_level": np.full(n, 60.0),
             "way_oil_level": np.full(n, 60.0)}  # fmt: skip
    out = []
    for signal in machine().signals:
        noise = rng.normal(0, 0.1, n)
        if signal.role in known:
            out.append(known[signal.role])
        elif signal.role == "bearing_temperature":
            out.append(h.temp_c + noise)
        elif signal.kind == "state":
            out.append(on)
        else:
            out.append(np.round(5 + on * work + noise, 2))
    return np.stack(out, axis=1)


def record(store, signals):
    """Days up to a few minutes ago, in the daemon's own store."""
    h = history(DAYS, 1, gaps=0, seen_off=True)
    minute = h.minute - h.minute[-1] + Clock().now_us() // (60 * SECOND_US) - 5
    value, at_us = columns(h, np.random.default_rng(1)), [0]
    recorder = Recorder(store, signals, lambda: at_us[0])
    for i in range(len(minute)):
        at_us[0] = int(minute[i]) * 60 * SECOND_US
        known = np.flatnonzero(~np.isnan(value[i])).tolist()
        rows = [(k, at_us[0], NO_TIME, float(value[i, k]), 0, 0, 0) for k in known]
        recorder.append([rec.samples(rows), Beacon(at_us[0])])
    recorder.close()


def size_mb(pid, name):
    """A size that /proc tells of a process; 0 when it has gone."""
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    except OSError:
        return 0
    found = re.search(rf"^{name}:\s+(\d+)", status, re.MULTILINE)
    return int(found[1]) // 1024 if found else 0


def learn(daemon):
    """Fit models as the night does and keep them; the process's peak in MB and its seconds."""
    env = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    said = daemon.folder / "learned.jsonl"
    with said.open("wb") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "condmon.learning", str(daemon.config)], stdout=out, env=env
        )
        began, peak = time.monotonic(), 0
        while process.poll() is None:
            peak = max(peak, size_mb(process.pid, "VmHWM"))
            time.sleep(0.05)
    found = [Learned(**json.loads(line)) for line in said.read_text().splitlines()]
    for made in found:
        if made.content:
            keep(daemon.store, made)
    return peak, time.monotonic() - began, sum(bool(made.content) for made in found)


def send(port):
    """Every signal each second of some minutes, as fast as the broker takes them."""
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(500)
    client.connect("127.0.0.1", port)
    client.loop_start()
    for n in range(SECONDS):
        sent = [client.publish(f"pier/{s.name}", f"{1 + n % 3}", qos=1) for s in machine().signals]
        for one in sent:
            one.wait_for_publish(20)
    client.disconnect()
    client.loop_stop()


def watched(daemon, port, pages=""):
    """Resident size of a daemon that came up and took messages."""
    (daemon.folder / "log.jsonl").unlink(missing_ok=True)
    daemon.start()
    daemon.until_logged('"started"', 900)
    daemon.until_logged("connected to the broker", 60)
    send(port)
    for _ in range(20 if pages else 0):
        requests.get(f"{pages}/login", timeout=10)
    pid = daemon.process.pid
    time.sleep(8)  # a second or two of its own look at things, and the models taken up
    found = size_mb(pid, "VmRSS"), size_mb(pid, "VmHWM")
    assert 0 == daemon.stop()
    return found


def main():
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        broker = Mosquitto(Path(folder) / "broker")
        broker.start()
        try:
            daemon = Daemon(Path(folder), broker.url, shop())
            daemon.store.mkdir()
            record(daemon.store, load(daemon.config).settings.signals)
            plain, up_peak = watched(daemon, broker.port)
            peak, seconds, models = learn(daemon)
            web = free_port()
            text = f"[web]\nport = {web}\n{shop()}"
            daemon.config.write_text(HEAD.format(url=broker.url) + text)
            paged, _ = watched(daemon, broker.port, f"http://127.0.0.1:{web}")
        finally:
            broker.stop()
    found = {"daemon_mb": plain, "page_mb": paged, "learning_peak_mb": peak}
    within = all(found[name] <= limit for name, limit in LIMITS.items())
    more = {"coming_up_peak_mb": up_peak, "learning_s": round(seconds, 1), "models": models}
    print(json.dumps({**found, **more, "days": DAYS, "within_limits": within}))
    return 0 if within else 1


if __name__ == "__main__":
    sys.exit(main())
