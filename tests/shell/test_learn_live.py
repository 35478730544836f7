"""A running daemon takes up what `condmon learn` and the night make of its own recordings."""

import json
import subprocess
import sys

import numpy as np
import pytest

from condmon.clock import Clock
from condmon.config import load
from condmon.engine import records as rec
from condmon.engine.outputs import Entry
from condmon.engine.records import NO_TIME, SECOND_US, Action, Beacon, ModelOn
from condmon.engine.thermal_file import read_model
from condmon.jobs import Jobs
from condmon.learning.models import LOOK_EVERY_S, Models, kept
from condmon.store.journal import Reader
from condmon.store.recorder import Recorder
from tests.daemons import Daemon
from tests.engine.heat import history
from tests.fakes import FakeClock
from tests.shell.test_learn import TOML, without_weekends
from tests.waiting import until

NOWHERE = "mqtt://127.0.0.1:1"
SHOP = TOML[TOML.index("[adjust") :]
NAMES = ("bearing_upper", "speed", "supply", "room", "power")


def recorded(config, minutes: int) -> None:
    """Work up to a few minutes ago, a sample a minute, in the daemon's own store."""
    clock, settings = Clock(), config.settings
    h = history(2, 4, gaps=0, plan=without_weekends)
    h = type(h)(*(column[:minutes] for column in h))
    minute = h.minute - h.minute[-1] + clock.now_us() // (60 * SECOND_US) - 5
    columns = np.stack([h.temp_c, h.speed, h.supply_c, h.room_c, 1.0 - h.off], axis=1)
    index = {s.name: s.index for s in settings.signals}
    at_us = [0]
    recorder = Recorder(config.store.path, settings.signals, lambda: at_us[0])
    for first in range(0, len(minute), 30):
        rows = []
        for i in range(first, min(first + 30, len(minute))):
            at_us[0] = int(minute[i]) * 60 * SECOND_US
            rows += [(index[n], at_us[0], NO_TIME, float(v), 0, 0, 0)
                     for n, v in zip(NAMES, columns[i], strict=True) if v == v]  # fmt: skip
        recorder.append([rec.samples(rows), Beacon(at_us[0])] if rows else [Beacon(at_us[0])])
    recorder.close()


@pytest.fixture
def daemon(tmp_path):
    made = Daemon(tmp_path, NOWHERE, SHOP)
    made.store.mkdir()
    yield made
    if made.process is not None and made.process.poll() is None:
        made.kill()


def models(daemon) -> list[Entry]:
    with Reader(daemon.store) as reader:
        return reader.entries(kind="model")


def command(daemon, *words: str) -> subprocess.CompletedProcess[bytes]:
    line = [sys.executable, "-m", "condmon", *words, "-c", str(daemon.config)]
    return subprocess.run(line, capture_output=True, check=False, timeout=300)


def test_a_running_daemon_takes_up_what_was_learned_and_status_tells_it(daemon):
    config = load(daemon.config)
    recorded(config, 2 * 1440)
    daemon.start()
    daemon.until_locked()
    learned = command(daemon, "learn")
    assert 0 == learned.returncode, learned.stderr
    (made,) = kept(daemon.store)
    until(lambda: models(daemon), 60, "the model takes effect")
    (entry,) = models(daemon)
    assert entry.text.startswith(f"model thermal {made.id} takes effect: bearing upper: up to ")
    status = json.loads(command(daemon, "status", "--json").stdout)
    (shown,) = status["models"]
    assert ("mill-1", "thermal") == (shown["machine"], shown["model"])
    assert "it stays 3 K under its trip all week" in shown["words"]
    assert 0 == daemon.stop()


def test_what_the_night_learns_is_handed_to_the_engine_and_kept(daemon):
    recorded(load(daemon.config), 2 * 1440)
    clock, taken = FakeClock(Clock().now_us()), []
    night = Models(daemon.store, daemon.config, taken.append, clock.now_us, clock.monotonic_s)
    night.start(Jobs(), {})
    night.learn()
    clock.pass_s(LOOK_EVERY_S)
    night.look()
    (record,), (made,) = taken, kept(daemon.store)
    assert isinstance(record, ModelOn)
    assert ("mill-1", "thermal", made.id) == (record.machine, record.model, record.id)
    assert {"bearing_upper"} == set(read_model(record.content).bearings)


def test_a_night_that_learns_nothing_says_why_in_the_machine_s_log_once(daemon):
    config = load(daemon.config)
    recorded(config, 600)
    taken = []
    night = Models(daemon.store, daemon.config, taken.append, Clock().now_us, Clock().monotonic_s)
    night.learn()
    (note,) = taken
    assert isinstance(note, Action)
    assert ("note", "condmon", "mill-1") == (note.do, note.by, note.machine)
    assert "no model: " in note.text
    night.learn()
    assert [note] == taken
