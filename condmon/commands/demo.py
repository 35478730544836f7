"""`condmon demo`: a simulated shop, a broker and the daemon on this machine alone.

Everything is what a real shop would run, over real MQTT, only that the shop is simulated, its time
runs faster and messages go to the terminal.
"""

import argparse
import contextlib
import shutil
import signal
import socket
import tempfile
import threading
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from types import FrameType
from typing import Any
from zoneinfo import ZoneInfo

from condmon.clock import Clock
from condmon.config import Config, load
from condmon.engine.records import SECOND_US
from condmon.engine.settings import Urgency
from condmon.engine.words import parse_duration
from condmon.errors import CondmonError, UsageError
from condmon.plant import Fault, Plant, Recipe, configuration
from condmon.plant.signals import ZONE
from condmon.senders import Letter

START = datetime(2026, 11, 25, 17, 50, tzinfo=ZoneInfo(ZONE))  # a Wednesday, just before 18:00
SPEED, SPEED_MAX = 60.0, 120.0
PUBLISH_EVERY_S = 0.05
MESSAGES_A_S = 14.0  # of the simulated shop, at its own speed
MESSAGES_MAX_S = 250.0  # the embedded broker hands out 100 at a time before it waits for us
REPORT_EVERY_S = 15.0
PAYLOAD_BYTES_MAX = 1024 * 1024
STOP_WITHIN_S = 10.0
LATENESS_S = 1.0  # real seconds from the plant to the daemon, at most
LATENESS_MAX_S = 60  # more is refused by the configuration


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument("--for", dest="length", metavar="TIME", default=None,
                        help='end by itself after this time, such as "90 s"; exit code 0 if an '
                        "alert arrived, 1 if none did (default: until Ctrl-C)")  # fmt: skip
    parser.add_argument("--seed", type=int, default=1, help="another seed, another shop (1)")
    parser.add_argument("--speed", type=float, default=SPEED,
                        help=f"seconds of the shop in one second, 1 to {SPEED_MAX:g} "
                        f"(default: {SPEED:g})")  # fmt: skip
    parser.add_argument(
        "--keep",
        type=Path,
        metavar="DIR",
        help="keep configuration, recordings and journal in this new folder",
    )


def run(args: argparse.Namespace) -> int:
    """Run the demo until its time is over or Ctrl-C; 0 if alerts arrived or it was ended."""
    length_s = _length_s(args.length)
    if not 1 <= args.speed <= SPEED_MAX:
        raise UsageError(f"--speed {args.speed:g}: give a number from 1 to {SPEED_MAX:g}")
    if args.seed < 0:
        raise UsageError(f"--seed {args.seed}: give a whole number from 0 on")
    stop = threading.Event()
    with _folder(args.keep) as folder, _ended_by_signal(stop), _broker(folder) as port:
        return _Demo(folder, port, args.seed, args.speed).run(stop, length_s)


class Terminal:
    """A sender that prints what would reach a phone, and counts it."""

    name = "terminal"
    urgencies: tuple[Urgency, ...] = ("now", "today", "note")

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._from_s = clock.monotonic_s()
        self.letters = 0

    def send(self, letter: Letter) -> None:
        """Print one message as it would read on a phone."""
        self.letters += 1
        text = "\n".join(f"  | {line}".rstrip() for line in letter.text.rstrip().split("\n"))
        self.say(f'message {self.letters} to the phone: "{letter.title}"\n{text}\n')

    def say(self, text: str) -> None:
        """Print a line with the seconds since the start and the shop's own time."""
        real_s = self._clock.monotonic_s() - self._from_s
        shop = datetime.fromtimestamp(self._clock.now_us() / SECOND_US, ZoneInfo(ZONE))
        print(f"[{real_s:4.0f} s, {shop:%H:%M} in the shop] {text}", flush=True)


class Publisher:
    """Publishes the readings of the simulated shop as its time passes, over MQTT."""

    def __init__(self, port: int, plant: Plant, clock: Clock) -> None:
        self._port, self._plant, self._clock = port, plant, clock
        self.published = 0

    def run(self, stop: threading.Event) -> None:
        """Publish until told to stop."""
        from paho.mqtt.client import Client
        from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

        client = Client(
            CallbackAPIVersion.VERSION2, "north-pier-gateway", protocol=MQTTProtocolVersion.MQTTv5
        )
        client.max_inflight_messages_set(90)
        client.connect("127.0.0.1", self._port)
        client.loop_start()
        while not stop.wait(PUBLISH_EVERY_S):
            for reading in self._plant.run(self._clock.now_us()):
                client.publish(reading.topic, reading.payload, qos=1)
                self.published += 1
        client.disconnect()
        client.loop_stop()


class _Demo:
    """The parts of one demo, wired together."""

    def __init__(self, folder: Path, port: int, seed: int, speed: float) -> None:
        start_us = round(START.timestamp()) * SECOND_US
        self._folder, self._port, self._speed = folder, port, speed
        self._config = _config(folder, port, speed)
        plant = Plant(seed, start_us, recipe(start_us, speed))
        for _ in plant.run(start_us):
            pass  # hours of warming up, lived through before the clock runs; they send nothing
        self._clock = Clock(speed=speed, start_us=start_us)
        self._terminal = Terminal(self._clock)
        self._publisher = Publisher(port, plant, self._clock)
        self._trouble = ""

    def run(self, stop: threading.Event, length_s: float | None) -> int:
        """Start both threads, report now and then, stop both; the exit code."""
        settings = self._config.settings
        print(_INTRODUCTION.format(speed=self._speed, port=self._port, folder=self._folder,
                                   machines=len(settings.machines),
                                   signals=len(settings.signals)), flush=True)  # fmt: skip
        ended = threading.Event()  # of this demo, by whatever
        threads = [
            threading.Thread(target=self._guarded, args=(work, ended), daemon=True)
            for work in (self._watch, self._publisher.run)
        ]
        for thread in threads:
            thread.start()
        self._wait(stop, ended, length_s)
        ended.set()
        for thread in reversed(threads):
            thread.join(STOP_WITHIN_S)
        return self._verdict(length_s)

    def _watch(self, stop: threading.Event) -> None:
        """Run the daemon, as `condmon run` does, with the terminal as the way to people."""
        from condmon import log
        from condmon.daemon.service import Service

        with (self._folder / "condmon.log").open("ab", buffering=0) as lines:
            log.set_up(lines)
            Service(self._config, self._clock, (self._terminal,)).run(stop)

    def _guarded(self, work: Callable[[threading.Event], None], ended: threading.Event) -> None:
        try:
            work(ended)
        except (CondmonError, OSError) as error:
            self._trouble = str(error)
        finally:
            ended.set()

    def _wait(self, stop: threading.Event, ended: threading.Event, length_s: float | None) -> None:
        """Until time is over, Ctrl-C or the end of a thread; say now and then that it lives."""
        until_s = None if length_s is None else self._clock.monotonic_s() + length_s
        report_s = self._clock.monotonic_s() + REPORT_EVERY_S
        while not stop.wait(0.1) and not ended.is_set():
            now_s = self._clock.monotonic_s()
            if until_s is not None and now_s >= until_s:
                return
            if now_s >= report_s:
                report_s += REPORT_EVERY_S
                self._terminal.say(f"{self._publisher.published:,} messages published so far")

    def _verdict(self, length_s: float | None) -> int:
        letters = self._terminal.letters
        if self._trouble:
            raise CondmonError(f"the demo ended by itself: {self._trouble}")
        print(f"The demo has ended: {self._publisher.published:,} messages published, "
              f"{letters} reached the phone.", flush=True)  # fmt: skip
        if length_s is not None and not letters:
            raise CondmonError(
                f"no alert arrived within {length_s:g} s; the first is due about 25 s after the "
                "start. Give more time, or look into condmon.log with --keep FOLDER."
            )
        return 0


def recipe(start_us: int, speed: float) -> Recipe:
    """What goes wrong in the demo, in the order in which it should be told."""

    def fault(name: str, machine: str, onset_min: int, until_min: int, **more: Any) -> Fault:
        minute_us = 60 * SECOND_US
        return Fault(
            name,
            machine,
            start_us + onset_min * minute_us,
            start_us + until_min * minute_us,
            **more,
        )

    return Recipe(
        "the end of a shift, and a night in which much goes wrong",
        thin=max(1.0, MESSAGES_A_S * speed / MESSAGES_MAX_S),
        faults=(
            fault("air-valve-stuck-open", "mill-1", 0, 140),
            fault("oil-pulses-stop", "mill-2", 0, 60),
            fault("chiller-weak", "mill-2", 0, 100, size=0.9),
            fault("sensor-silent", "mill-1", 20, 120, signal="room"),
            fault("sensor-sentinel", "mill-1", 40, 200, size=-127.0, signal="bearing_upper"),
            fault("cycle-stops", "mill-2", 150, 200),
        ),
    )


_INTRODUCTION = """\
condmon demo: a simulated shop, North Pier Optics, with {machines} machines and {signals} signals.
Everything here is simulated and stays on this computer: an MQTT broker at 127.0.0.1:{port},
the shop publishing to it, and the condmon daemon watching. Look in with any MQTT client:
topics pier/#, MQTT 5. The shop lives {speed:g} times as fast as life; it is ten to six in the
evening there, and the shift is about to end. What would reach a phone is printed here.
Files: {folder}. Ctrl-C ends it.
"""


def _length_s(text: str | None) -> float | None:
    if text is None:
        return None
    length_s = parse_duration(text)
    if not length_s:
        raise UsageError(f'--for {text!r} is not a time such as "90 s" or "2 min"')
    return length_s


def _config(folder: Path, port: int, speed: float) -> Config:
    """Write the configuration and read it back, as `condmon run` would."""
    # At this speed what is under way for a blink is minutes late by the shop's clock.
    lateness = f"{min(max(2, round(LATENESS_S * speed)), LATENESS_MAX_S)} s"
    path = folder / "condmon.toml"
    path.write_text(configuration("127.0.0.1", port, folder / "store", lateness), encoding="utf-8")
    return load(path)


@contextlib.contextmanager
def _folder(keep: Path | None) -> Iterator[Path]:
    """A folder for everything the demo writes, removed at the end unless it is to be kept."""
    if keep is not None:
        try:
            keep.mkdir(parents=True)
        except OSError as error:
            raise UsageError(
                f"--keep {keep}: a new folder cannot be made there ({error.strerror}); "
                "name one that does not exist yet"
            ) from error
        yield keep.resolve()
        return
    folder = Path(tempfile.mkdtemp(prefix="condmon-demo-"))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextlib.contextmanager
def _ended_by_signal(stop: threading.Event) -> Iterator[None]:
    """Ctrl-C and a plain kill end the demo in order."""

    def end(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    before = {number: signal.signal(number, end) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, what in before.items():
            signal.signal(number, what)


@contextlib.contextmanager
def _broker(folder: Path) -> Iterator[int]:
    """An MQTT 5 broker in a child process, on a free port of this computer alone; its port."""
    try:
        from iotcore import Broker
    except ImportError as error:
        raise CondmonError(
            "the demo brings its own MQTT broker, which is not installed here; install condmon "
            'with its extra "demo":  pip install "condmon[demo]"  (in a checkout: deploy/try)'
        ) from error
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    path = folder / "broker.toml"
    path.write_text(_BROKER.format(port=port, payload=PAYLOAD_BYTES_MAX), encoding="utf-8")
    broker = Broker(config_path=str(path))
    try:
        broker.start()
    except (OSError, RuntimeError) as error:
        raise CondmonError(f"the demo's broker did not start: {error}") from error
    try:
        yield port
    finally:
        broker.stop()


_BROKER = """\
id = 0

[router]
id = 0
max_connections = 100
max_outgoing_packet_count = 2000
max_segment_size = 104857600
max_segment_count = 10

[v5.1]
name = "demo"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1

[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = {payload}
max_inflight_count = 1000
dynamic_filters = true
"""
