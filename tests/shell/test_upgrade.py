"""Data of the oldest version under the present one, and of a newer one, which are left alone."""

import fcntl
import gc
import json
import sqlite3
import tarfile
from contextlib import closing
from pathlib import Path

import orjson
import pytest

from condmon.cli import main
from condmon.clock import rfc3339
from condmon.config import load
from condmon.daemon.service import Service
from condmon.engine.records import SECOND_US, Samples
from condmon.errors import NewerError
from condmon.history.seal import seal
from condmon.history.sheets import Sheet
from condmon.history.store import History
from condmon.ledger.verify import verify
from condmon.store.journal import Journal, Reader
from condmon.store.journal_file import _MIGRATIONS
from condmon.store.lock import LockedError
from condmon.store.recorder import Recorder
from condmon.web.accounts import Accounts
from tests.fakes import FakeClock
from tests.recorded import MONDAY_US, STATES, Folder
from tests.shops import payload
from tests.waiting import until

OLDEST = Path(__file__).parent.parent / "old" / "first.tar.xz"
LEFT_US = 1_764_029_055 * SECOND_US  # 2025-11-25T00:04:15Z, when the old daemon ended
SAMPLES = 870  # it took 435 messages with two signals each
LINES = 11
ENDED_US, OPEN_US = 1_764_028_622 * SECOND_US, 1_764_029_042 * SECOND_US


class Phone:
    name, urgencies = "phone", ("now", "today", "note")

    def __init__(self):
        self.got = []

    def send(self, letter):
        self.got.append(letter)


@pytest.fixture
def old(tmp_path, monkeypatch):
    monkeypatch.setattr("condmon.daemon.rhythm.TURN_S", 0.0)
    with tarfile.open(OLDEST) as packed:
        packed.extractall(tmp_path, filter="data")
    return tmp_path


@pytest.fixture
def daemon(old):
    """The present daemon in the old folder, five minutes later."""
    clock, phone = FakeClock(LEFT_US + 300 * SECOND_US), Phone()
    service = Service(load(old / "condmon.toml"), clock, [phone])
    service.start()
    service.clock, service.phone = clock, phone
    yield service
    service.stop()


def live(service, seconds, value):
    """Messages as they come, without a broker."""
    until(lambda: service.step() or not service.mqtt.reason.startswith("not"), 10)
    for n in range(seconds):
        service.clock.pass_s(1)
        at_us = service.clock.now_us()
        body = payload(at_us, value + n / 100, 1000 + n)
        service.inbox.put([arrived(at_us, body)])
        service.step()


def arrived(at_us, body):
    from condmon.engine.decode import Arrived

    return Arrived(at_us, "pier/mill-1/bearing", body)


def version(path):
    with closing(sqlite3.connect(path)) as db:
        return db.execute("PRAGMA user_version").fetchone()[0]


def test_what_the_oldest_version_recorded_is_read(old):
    signals = load(old / "condmon.toml").settings.signals
    recorder = Recorder(old / "store", signals, lambda: LEFT_US)
    records = [record for _, batch in recorder.read(0) for record in batch]
    recorder.close()
    assert SAMPLES == sum(len(r) for r in records if isinstance(r, Samples))
    numbers = [n for r in records if isinstance(r, Samples) for n in r.value[r.signal == 1]]
    assert list(range(1, 436)) == numbers


def test_the_journal_is_migrated_with_all_its_lines_alerts_and_a_sound_chain(old):
    assert 1 == version(old / "store" / "journal.db")
    Journal(old / "store").close()
    assert len(_MIGRATIONS) == version(old / "store" / "journal.db")
    with Reader(old / "store") as reader:
        assert LINES == len(reader.entries(1000))
        assert [("normal", ENDED_US), ("active_unacknowledged", OPEN_US)] == [
            (alert.state, alert.began_us) for alert in reader.alerts()
        ]
        assert ["sent", "waiting"] == [d.state for d in reader.deliveries()]


def test_the_present_daemon_goes_on_where_the_oldest_left(daemon, old):
    live(daemon, 20, 40.0)
    daemon.clock.pass_s(15)
    live(daemon, 20, 40.0)
    until(lambda: daemon.phone.got, 20)
    [letter] = daemon.phone.got
    assert ["Bearing hot"] == [alert.title for alert in letter.alerts]
    with Reader(old / "store") as reader:
        lines = reader.entries(1000)
        assert all(alert.ended_us is not None for alert in reader.alerts())
    texts = [line.text for line in lines]
    assert "new drive belt" in texts
    assert "condmon was not running: nothing for 5 min" in texts
    assert any(text.startswith("condmon") and "again after a stop" in text for text in texts)
    verdict = verify(old / "store" / "journal.db")
    assert (True, LINES) == (verdict.whole, verdict.older)


def test_a_replay_of_the_oldest_recordings_finds_the_same_alerts(old, capsys):
    span = ["--from", "2025-11-24T23:00:00Z", "--to", "2025-11-25T01:00:00Z"]
    assert 0 == main(["replay", "-c", str(old / "condmon.toml"), "--json", *span])
    rows = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    alerts = [(row["check"], row["began"]) for row in rows if row["kind"] == "alert"]
    assert [("bearing-over-limit", rfc3339(at)) for at in (ENDED_US, OPEN_US)] == alerts


def test_the_oldest_finished_day_is_sealed(old):
    seal(old / "store", frozenset())
    history = History(old / "store", ())
    found = history.read("mill-1", "number", LEFT_US - 86400 * SECOND_US, LEFT_US)
    assert 300 <= len(found.value)


def test_while_the_oldest_daemon_has_the_folder_the_present_one_does_not_work_in_it(old):
    with (old / "store" / "condmon.lock").open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        with pytest.raises(LockedError):
            Service(load(old / "condmon.toml"), FakeClock(LEFT_US))


def newer(path):
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA user_version = 99")
    return path.read_bytes()


# a process that ends with this error closes its files by ending
@pytest.mark.filterwarnings("ignore::ResourceWarning")
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("name", ["journal.db", "stream-2025-11-24.db", "stream-2025-11-25.db"])
def test_a_folder_of_a_newer_version_is_refused_in_words_and_left_as_it_is(old, name):
    Journal(old / "store").close()
    path = old / "store" / name
    content, names = newer(path), {p.name for p in path.parent.iterdir()}
    with pytest.raises(NewerError) as refused:
        Service(load(old / "condmon.toml"), FakeClock(LEFT_US))
    assert f"{path}: was written by a newer condmon (form 99" in str(refused.value)
    assert "Install that version again" in str(refused.value)
    del refused
    gc.collect()
    assert content == path.read_bytes()
    left = {p.name for p in path.parent.iterdir()} - {"condmon.lock"}
    assert set() == {n for n in left - names if not n.endswith(("-wal", "-shm"))}


def test_accounts_of_a_newer_version_are_refused(tmp_path):
    Accounts(tmp_path, lambda: LEFT_US).close()
    content = newer(tmp_path / "accounts.db")
    with pytest.raises(NewerError, match="was written by a newer condmon"):
        Accounts(tmp_path, lambda: LEFT_US)
    assert content == (tmp_path / "accounts.db").read_bytes()


def test_a_sealed_file_of_a_newer_version_is_left_in_its_place(tmp_path, monkeypatch):
    folder = Folder(tmp_path / "store")
    folder.day(MONDAY_US, every_s=3600)
    folder.begin_day(MONDAY_US + 86400 * SECOND_US)
    monkeypatch.setattr("condmon.history.sheets.FORMAT", 99)
    monkeypatch.setattr("condmon.history.sheets.Sheet.verify", lambda _: None)
    seal(folder.path, STATES)
    monkeypatch.undo()
    [path] = (folder.path / "history" / "samples").glob("*/mill-1.parquet")
    content = path.read_bytes()
    with pytest.raises(NewerError, match="form 99"):
        Sheet(path)
    (folder.path / "history" / "sealed.json").write_bytes(orjson.dumps({}))
    with pytest.raises(NewerError, match="form 99"):
        seal(folder.path, STATES)
    assert content == path.read_bytes()
    folder.recorder.close()
