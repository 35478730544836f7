"""A steady load of so many values a message: delay to the disk, and memory. Prints one JSON line.

Two hundred signals of five machines as in `ingest.py`, published by a process of its own at half
the rate at which the daemon drained a backlog just before (or at `--rate` messages a second), for
ten minutes after eleven in which it comes up: caches fill, and the first snapshot of the engine is
kept after ten. The delay is from the sending of a message to the return of the recorder's commit
(synchronous FULL), of every message. Memory is of the daemon's process, every ten seconds; its
slope is of the ten minutes, with its interval. `other_load` is the load of the
machine before the run.

    python -m tests.bench.stream [--values 40] [--minutes 10] [--rate 300]
"""

import argparse
import json
import logging
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import paho.mqtt.client as paho

from condmon import log
from condmon.clock import Clock
from condmon.config import load
from condmon.daemon.service import Service
from condmon.engine.records import NO_TIME, Samples
from condmon.trade.trends import theil_sen
from tests.bench.day import SIGNALS
from tests.bench.ingest import MACHINES, Messages, config_text, measured
from tests.brokers import Mosquitto
from tests.waiting import until

DRAINED = 6000
WARM_UP_S = 660  # past the first snapshot
SAMPLE_S = 10
TOP_MS = 60_000


def main() -> None:
    """Run the part asked for; the parent starts the other two."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--values", type=int, choices=(1, len(SIGNALS)), default=len(SIGNALS))
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--rate", type=int, help="messages a second; else half of what it drains")
    parser.add_argument("--publish", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--daemon", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.daemon:
        daemon(args.daemon)
    elif args.publish:
        publish(args.publish, Messages(args.values), args.rate, args.minutes * 60)
    else:
        log.set_up(sys.stderr.buffer, logging.WARNING)
        print(json.dumps(steady(args.values, args.rate, args.minutes)))


def daemon(path: Path) -> None:
    """The whole daemon; keeps how long each message took to the disk until it is told to end."""
    log.set_up(sys.stderr.buffer)
    service, ending = Service(load(path), Clock()), []
    signal.signal(signal.SIGTERM, lambda _n, _frame: ending.append(True))
    append, counts = service._spool.append, np.zeros(TOP_MS + 1, np.int64)

    def timed(records, tickets):
        safe = append(records, tickets)
        now_us = time.time_ns() // 1000
        own = [r.own_us[r.own_us != NO_TIME] for r in records if isinstance(r, Samples)]
        if own:  # the values of a message have one time, and no two messages the same
            took_ms = (now_us - np.unique(np.concatenate(own))) // 1000
            np.add.at(counts, np.clip(took_ms, 0, TOP_MS), 1)
        return safe

    service._spool.append = timed
    service.start()
    while not ending:
        service.step()
    service.stop()
    path.with_suffix(".delays").write_text(json.dumps(counts.tolist()))


def publish(port: int, messages: Messages, rate: int, seconds: float) -> None:
    """So many messages a second, in bursts of a hundredth of one; each tells when it was sent."""
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311)
    client.max_inflight_messages_set(2000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    sent, began_s, last_us = 0, time.monotonic(), 0
    while (now_s := time.monotonic() - began_s) < seconds:
        while sent < rate * now_s:
            last_us = max(time.time_ns() // 1000, last_us + 1)
            client.publish(*messages.message(sent, last_us / 1e6), qos=1)
            sent += 1
        time.sleep(0.01)
    client.disconnect()
    client.loop_stop()
    print(sent)


def steady(values: int, rate: int | None, minutes: float) -> dict[str, object]:
    """Broker, daemon and publisher beside each other; what they show."""
    before = os.getloadavg()[0]
    drained = {} if rate else measured(values, DRAINED if values > 1 else 3 * DRAINED, 1)
    rate = rate or int(str(drained["daemon_per_s"])) // 2
    minutes_all = minutes + WARM_UP_S / 60
    options = ["--values", str(values), "--rate", str(rate), "--minutes", str(minutes_all)]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        broker = Mosquitto(folder / "broker").start()
        path = folder / "condmon.toml"
        path.write_text(config_text(broker.url, values))
        command = [sys.executable, "-m", "tests.bench.stream"]
        with (folder / "log").open("wb") as out:
            process = subprocess.Popen([*command, "--daemon", str(path)], stderr=out)
        until(lambda: b"connected to the broker" in (folder / "log").read_bytes(), 30, "connected")
        publisher = subprocess.Popen(
            [*command, "--publish", str(broker.port), *options], stdout=subprocess.PIPE
        )
        sizes = watched(process.pid, minutes_all * 60)
        told, _ = publisher.communicate()
        cpu_s = cpu_of(process.pid)
        process.send_signal(signal.SIGTERM)
        process.wait(60)
        counts = np.array(json.loads(path.with_suffix(".delays").read_text()))
        broker.stop()
    return {
        "bench": "stream", "signals": MACHINES * len(SIGNALS), "values_a_message": values,
        "minutes": minutes, "rate": rate, "values_per_s": rate * values, "sent": int(told),
        "recorded": int(counts.sum()), "drained_per_s": drained.get("daemon_per_s"),
        "daemon_cpu_share": round(cpu_s / (minutes_all * 60), 2), "other_load": round(before, 1),
        **delays(counts), **memory(sizes),
    }  # fmt: skip


def watched(pid: int, seconds: float) -> list[float]:
    """Resident megabytes, every ten seconds."""
    out, end_s = [], time.monotonic() + seconds
    while time.monotonic() < end_s:
        time.sleep(SAMPLE_S)
        pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
        out.append(pages * os.sysconf("SC_PAGE_SIZE") / 2**20)
    return out


def cpu_of(pid: int) -> float:
    """Processor seconds of a process so far."""
    parts = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(parts[11]) + int(parts[12])) / os.sysconf("SC_CLK_TCK")


def delays(counts: np.ndarray) -> dict[str, object]:
    """Percentiles in seconds; a millisecond too little at most."""
    upto = np.add.accumulate(counts) / max(int(counts.sum()), 1)
    found = {name: int(np.searchsorted(upto, share)) / 1000 for name, share in
             (("p50", 0.5), ("p99", 0.99), ("p999", 0.999))}  # fmt: skip
    return {f"delay_s_{n}": s for n, s in found.items()} | {
        "delay_s_max": int(np.flatnonzero(counts)[-1]) / 1000 if counts.any() else None
    }


def memory(sizes: list[float]) -> dict[str, object]:
    """Megabytes after warming up and at the end, and the slope an hour with its interval."""
    settled = sizes[WARM_UP_S // SAMPLE_S :] or sizes
    told: dict[str, object] = {"rss_mb": [round(settled[0], 1), round(sizes[-1], 1)]}
    if len(settled) > 10:
        sen = theil_sen(np.arange(len(settled)) * SAMPLE_S / 3600, np.array(settled))
        told["rss_mb_an_hour"] = [round(v, 1) for v in (sen.slope, sen.low, sen.high)]
    return told


if __name__ == "__main__":
    main()
