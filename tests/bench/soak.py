"""Whether it stays the same size: a month at speed in one process, and half an hour at full load.

    python tests/bench/soak.py days [--days 30]       simulated, a turn a minute, sealed nightly
    python tests/bench/soak.py minutes [--minutes 30 --rate 500]    against a real mosquitto

The days that are measured come after a month more, in which all that is kept of so and so many days
is filled: the counters of each day, 29 of them, are the longest.

Prints one JSON line: memory at the start and the end, its slope a day (or an hour) with its
interval, open files, disk, lines of log, and the age of the newest sample on disk.
"""

import argparse
import json
import os
import sqlite3
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as paho
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from condmon import log
from condmon.config import load
from condmon.daemon.service import Service
from condmon.engine.records import SECOND_US, Samples
from condmon.store.packing import unpack
from condmon.trade.trends import theil_sen
from tests.brokers import Mosquitto
from tests.daemons import HEAD, Daemon
from tests.fakes import FakeClock
from tests.sim.parts import Broker, Client, payload

SIGNALS = 10
SIGNAL = """[machine.signal.bearing_{n}]
topic = "pier/mill-1/bearing/{n}"
role = "bearing_temperature"
unit = "Cel"
value = "/v"
time = "/t"
"""
MILL = '[[machine]]\nid = "mill-1"\nname = "Five-axis mill"\n' + "".join(
    SIGNAL.format(n=n) for n in range(SIGNALS)
)
MONTH = 30  # days until nothing that is kept for days grows any more


class Sound:
    """A disk that does what it is asked to."""

    def point(self, doing: Callable[[], Any], refuses: object) -> Any:
        return doing()


def days(count: int) -> dict[str, object]:
    """A month at speed: everything but threads and sockets, with a clock that the bench turns."""
    with tempfile.TemporaryDirectory() as name, pytest.MonkeyPatch.context() as patch:
        folder = Path(name)
        patch.setattr("condmon.daemon.rhythm.TURN_S", 0.0)
        (folder / "condmon.toml").write_text(HEAD.format(url="mqtt://127.0.0.1:1") + MILL)
        clock, broker = FakeClock(), Broker()
        service = Service(load(folder / "condmon.toml"), clock)
        service.mqtt = client = Client(  # type: ignore[assignment]
            broker,
            service.inbox,
            clock,
            Sound(),  # type: ignore[arg-type]
        )
        for part in (service._outbox_thread, service._asked, service._jobs, service._mirror):
            part.start = lambda: None  # type: ignore[method-assign]
        service.start()
        broker.connect(client)
        sizes, begin_s, n, acknowledged = [], time.monotonic(), 0, 0
        for day in range(MONTH + count):
            for minute in range(1440):
                clock.pass_s(60)
                for signal in range(SIGNALS):
                    n += 1
                    own_us = clock.now_us() - SECOND_US
                    warm = 40 + 3 * ((minute // 240) % 2) + (n * 7919 % 100) / 200
                    body = payload(n, own_us, warm)
                    broker.publish(n, f"pier/mill-1/bearing/{signal}", body)
                broker.hand_out()
                service.step()
                acknowledged += len(broker.acknowledged)
                broker.acknowledged.clear()  # or the stand-in's own book is what grows
            service._history.run()
            service._snapshot_asked.set()
            sizes.append(rss_mb(os.getpid()))
            print(f"day {day + 1}: {sizes[-1]:.0f} MB", file=sys.stderr)
        took_s = time.monotonic() - begin_s
        held = service.recorder.last_offset()
        service.stop()
        return report(sizes, "day", 1.0, MONTH) | {
            "days": count, "samples": n, "seconds": round(took_s), "batches": held,
            "disk_mb": round(disk_mb(folder), 1), "files": sum(1 for p in folder.rglob("*")),
            "acknowledged": acknowledged,
        }  # fmt: skip


def minutes(count: float, rate: int) -> dict[str, object]:
    """A daemon in a process of its own against a real broker."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        mosquitto = Mosquitto(folder / "broker").start()
        daemon = Daemon(folder / "d", mosquitto.url, MILL).start()
        daemon.until_logged("connected to the broker")
        assert daemon.process is not None
        pid, stop = daemon.process.pid, threading.Event()
        sent: list[int] = [0]
        thread = threading.Thread(target=publish, args=(mosquitto.port, rate, stop, sent))
        thread.start()
        sizes, files, delays = [], [], []
        step_s = max(5.0, count * 60 / 60)
        end_s = time.monotonic() + count * 60
        while time.monotonic() < end_s:
            time.sleep(step_s)
            sizes.append(rss_mb(pid))
            print(f"{len(sizes) * step_s:.0f} s: {sizes[-1]:.1f} MB", file=sys.stderr)
            files.append(len(list(Path(f"/proc/{pid}/fd").iterdir())))
            delay = delay_s(daemon)
            delays += [] if delay is None else [delay]
        stop.set()
        thread.join()
        code = daemon.stop()
        lines = daemon.log().count("\n")
        mosquitto.stop()
        per_hour = 3600 / step_s
        return report(sizes, "hour", per_hour, len(sizes) // 3) | {
            "minutes": count, "messages": sent[0], "rate": round(sent[0] / count / 60),
            "open_files": [files[0], max(files)], "log_lines": lines,
            "disk_mb": round(disk_mb(daemon.store), 1), "exit": code,
            "delay_s_median": round(statistics.median(delays), 2), "delay_s_max": max(delays),
        }  # fmt: skip


def publish(port: int, rate: int, stop: threading.Event, sent: list[int]) -> None:
    """So many messages a second, in bursts of a tenth of one."""
    client = paho.Client(paho.CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    next_s = time.monotonic()
    while not stop.is_set():
        for _ in range(rate // 10):
            sent[0] += 1
            own_us = time.time_ns() // 1000
            body = payload(sent[0], own_us, 40 + sent[0] % 10)
            client.publish(f"pier/mill-1/bearing/{sent[0] % SIGNALS}", body, qos=1)
        next_s += 0.1
        stop.wait(max(0.0, next_s - time.monotonic()))
    client.disconnect()
    client.loop_stop()


def delay_s(daemon: Daemon) -> float | None:
    """Age of the newest sample on disk: from its sending to its commit, and up to a turn more.

    None where the last hundred batches hold none.
    """
    newest = max(daemon.store.glob("stream-*.db"))
    with closing(sqlite3.connect(f"{newest.as_uri()}?mode=ro", uri=True)) as db:
        sql = "SELECT content FROM batches ORDER BY offset DESC LIMIT 100"
        rows = [unpack(content, lambda column: column)[0] for (content,) in db.execute(sql)]
    own = [int(r.own_us.max()) for row in rows for r in row if isinstance(r, Samples) and len(r)]
    return round(time.time() - max(own) / 1e6, 2) if own else None


def report(sizes: list[float], unit: str, per: float, warm_up: int) -> dict[str, object]:
    """Memory with the slope of the part after coming up, and its interval."""
    steady = sizes[warm_up:]
    slope = theil_sen(np.arange(len(steady)) / per, np.array(steady))
    return {
        "rss_mb_first": round(sizes[0], 1), "rss_mb_settled": round(steady[0], 1),
        "rss_mb_last": round(sizes[-1], 1), "rss_mb_max": round(max(sizes), 1),
        f"slope_mb_a_{unit}": round(slope.slope, 3),
        f"slope_interval_mb_a_{unit}": [round(slope.low, 3), round(slope.high, 3)],
    }  # fmt: skip


def rss_mb(pid: int) -> float:
    """Resident memory of a process."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def disk_mb(folder: Path) -> float:
    """Size of all files below."""
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) / 1e6


def main() -> None:
    """Run the part asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    rows = parser.add_subparsers(dest="part", required=True)
    rows.add_parser("days").add_argument("--days", type=int, default=30)
    half_hour = rows.add_parser("minutes")
    half_hour.add_argument("--minutes", type=float, default=30)
    half_hour.add_argument("--rate", type=int, default=500)
    args = parser.parse_args()
    with Path(os.devnull).open("wb") as nowhere:
        log.set_up(nowhere)
        work: Callable[[], dict[str, object]] = (
            (lambda: days(args.days)) if args.part == "days"
            else (lambda: minutes(args.minutes, args.rate))
        )  # fmt: skip
        print(json.dumps(work()))


if __name__ == "__main__":
    main()
