"""How soon a killed daemon watches again: `python -m tests.bench.recovery [--hours 24]`; JSON.

A data folder with so many hours of 40 signals at 1 Hz that end now, its last snapshot ten minutes
old, which is the worst there is. A real daemon is started on it, hears the 40 signals from a real
mosquitto for `--live` seconds and is killed with SIGKILL. `ready_s` is what the next start takes,
from the begin of its process to its READY=1 (engine where it stood, connection begun), and
`connected_s` to the line of its log that says so. `first_ready_s` is the start before the kill.
The yardstick, `from_nothing_s`, is a start without journal and snapshot, from all the recordings.
All are processes of their own, Python's start and imports included; `load` is the machine's.
"""

import argparse
import json
import logging
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import paho.mqtt.client as paho

from condmon import capture, log
from condmon.config import load
from condmon.engine.engine import Engine
from condmon.engine.records import SECOND_US, Beacon
from condmon.store.journal import Journal
from condmon.store.recorder import Recorder
from tests.bench.day import AT_US, DAY_S, SIGNALS, columns, configuration, make_day
from tests.bench.scale import later
from tests.brokers import Mosquitto
from tests.waiting import until

SNAPSHOT_EVERY_S = 600
A_BATCH_S = 10  # of older hours; the last ten minutes are a batch a second, as live
READY_WITHIN_S = 300


def main():
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", nargs="?", type=Path, help="where the day is kept")
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--live", type=float, default=20.0)
    args = parser.parse_args()
    log.set_up(sys.stderr.buffer, logging.ERROR)
    with tempfile.TemporaryDirectory() as temporary:
        kept, folder = args.folder or Path(temporary), Path(temporary) / "d"
        folder.mkdir()
        day = kept / "day-1.parquet"
        if not day.exists():
            make_day(day)
        broker = Mosquitto(Path(temporary) / "broker").start()
        path = configuration(folder)
        text = path.read_text().replace("mqtt://127.0.0.1:1883", broker.url)
        path.write_text(text.replace('path = "store"', 'path = "store"\ndisk_min_mb = 1'))
        fill(load(path), day, round(args.hours * 3600))
        first = Started(path)
        heard = live(broker.port, args.live)
        first.kill()
        again = Started(path)
        again.kill()
        for part in (folder / "store").glob("journal.db*"):
            part.unlink()
        anew = Started(path)
        anew.kill()
        broker.stop()
        assert "restart" in again.log(), again.log()[-2000:]
    print(json.dumps({
        "bench": "recovery", "hours": args.hours, "signals": len(SIGNALS), "live_messages": heard,
        "ready_s": round(again.ready_s, 2), "connected_s": round(again.connected_s, 2),
        "first_ready_s": round(first.ready_s, 2), "from_nothing_s": round(anew.ready_s, 2),
        "ratio": round(anew.ready_s / again.ready_s, 1), "load": round(os.getloadavg()[0], 1),
    }))  # fmt: skip


class Started:
    """A daemon in a process of its own; how long it took to be ready and connected."""

    runs = 0

    def __init__(self, path):
        Started.runs += 1
        self._log = path.with_name(f"log-{Started.runs}")
        address = str(path.with_name(f"notify-{Started.runs}"))
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as told, self._log.open("wb") as out:
            told.bind(address)
            told.settimeout(READY_WITHIN_S)
            began = time.perf_counter()
            self._process = subprocess.Popen(
                [sys.executable, "-m", "condmon", "run", "-c", str(path)],
                stdout=out, stderr=out, env={**os.environ, "NOTIFY_SOCKET": address},
            )  # fmt: skip
            while b"READY=1" not in told.recv(4096):
                pass
            self.ready_s = time.perf_counter() - began
        until(lambda: "connected to the broker" in self.log(), 60, "connected")
        self.connected_s = time.perf_counter() - began

    def log(self):
        """What it has said so far."""
        return self._log.read_text()

    def kill(self):
        """SIGKILL."""
        self._process.send_signal(signal.SIGKILL)
        self._process.wait(10)


def live(port, seconds):
    """All signals once a second for so long, as plain numbers; how many messages."""
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    values, sent, began_s = columns(), 0, time.monotonic()
    for second in range(round(seconds)):
        for name, _, _ in SIGNALS:
            last = client.publish(f"pier/mill-1/{name}", f"{values[name][second]:g}", qos=1)
            sent += 1
        time.sleep(max(0.0, began_s + second + 1 - time.monotonic()))
    last.wait_for_publish(10)
    client.disconnect()
    client.loop_stop()
    return sent


def fill(config, day, seconds):
    """Record the last so many seconds of the day as if they ended now, with an old snapshot."""
    settings = config.settings
    end_us = time.time_ns() // 1000 // SECOND_US * SECOND_US
    shift_us = end_us - (AT_US + DAY_S * SECOND_US)
    from_us, snapshot_us = end_us - seconds * SECOND_US, end_us - SNAPSHOT_EVERY_S * SECOND_US
    at_us = from_us
    recorder = Recorder(config.store.path, settings.signals, lambda: at_us)
    journal, engine = Journal(config.store.path), Engine(settings)
    kept = False
    for batch in capture.read([day], settings, capture.Notes()):
        run = later(batch[0], shift_us)
        at_us = int(run.arrived_us[0]) // SECOND_US * SECOND_US
        while at_us <= int(run.arrived_us[-1]):
            step_us = (A_BATCH_S if at_us < snapshot_us else 1) * SECOND_US
            a, b = run.arrived_us.searchsorted([at_us, at_us + step_us]).tolist()
            at_us += step_us
            if at_us <= from_us or a == b:
                continue
            records = [run.cut(a, b), Beacon(at_us)]
            recorder._ready().db.execute("PRAGMA synchronous = OFF")  # filling only
            offset = recorder.append(records)
            if at_us <= snapshot_us:
                journal.write(engine.push(records), offset, [], at_us)
            elif not kept:
                kept = True
                journal.keep_snapshot(engine.snapshot(), offset - 1)
    recorder.close()
    journal.close()


if __name__ == "__main__":
    main()
