"""`condmon status`: from an empty folder to a running daemon, always in words."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from condmon.cli import main
from condmon.clock import Clock
from condmon.commands.status import FAILED_LATELY_S, OLD_S, SILENT_S, look, readable
from condmon.config import Broker, Config, Store
from condmon.config.shape import AlertTopic
from condmon.engine import records as rec
from condmon.engine.outputs import Output
from condmon.engine.settings import Signal
from condmon.senders.topicstate import put_topic_state
from condmon.store.journal import Journal, Route
from condmon.store.lock import Lock
from condmon.store.recorder import Recorder
from tests.letters import MINUTE_US, NOW_US, SITE, alert, ended, entry, message

SIGNALS = (Signal(0, "mill-1", "oil_pulses", "pier/oil", "counter"),)
ROUTES = (Route("phone", ("now", "today", "note")),)
BROKER = Broker("127.0.0.1", 1883, False, None, None, None, None, None, "condmon")


def config(folder):
    return Config(Path("condmon.toml"), SITE, BROKER, Store(folder), (), (), ())


def sample(at_us):
    return rec.samples([(0, at_us, rec.NO_TIME, 1.0, 0, 0, 0)])


def record(folder, *batches: list[rec.Record], now_us=NOW_US):
    recorder = Recorder(folder, SIGNALS, lambda: now_us)
    for batch in batches:
        recorder.append(batch)
    recorder.close()


def journal(folder, *outputs: Output, now_us=NOW_US):
    """Write outputs and leave the journal as a daemon that was killed would."""
    made = Journal(folder)
    made.write(outputs, 1, ROUTES, now_us)
    return made


def fail(made):
    made._db.execute(
        "UPDATE delivery SET state = 'failed', reason = '401: check the secret', done_us = ?",
        (NOW_US,),
    )


def text(found):
    return "\n".join(readable(found))


@pytest.fixture
def running(tmp_path):
    """A folder whose daemon runs and had a sample a second ago."""
    folder = tmp_path / "store"
    lock = Lock(folder)
    record(folder, [sample(NOW_US - 1_000_000), rec.Beacon(NOW_US - 500_000)])
    link = entry(kind="link", text="link to the broker is up")
    made = journal(folder, link, now_us=NOW_US - 2_000_000)
    yield folder, made
    made.close()
    lock.release()


@pytest.mark.parametrize("exists", [True, False])
def test_empty_or_missing_folder_is_told_in_words(tmp_path, exists):
    folder = tmp_path / "store"
    if exists:
        folder.mkdir()
    found = look(config(folder), NOW_US)
    assert not found["running"]
    assert not found["in_order"]
    assert "condmon does not run for North Pier Optics" in text(found)
    assert "the daemon has not run with this data folder" in text(found)
    assert exists == folder.exists()  # it only reads


def test_running_daemon_with_fresh_data_is_in_order(running):
    found = look(config(running[0]), NOW_US)
    assert found["in_order"], found["problems"]
    assert found["pid"] > 0
    assert ("2026-11-25T02:14:04.5Z", 0.5) == (found["record"]["at"], found["record"]["age_s"])
    assert 1.0 == found["sample"]["age_s"]
    assert "link to the broker is up, 2026-11-25 03:14:05" in text(found)
    assert "In order." in text(found)


def test_stopped_daemon_is_not_in_order(running, tmp_path):
    folder = tmp_path / "other"
    record(folder, [sample(NOW_US), rec.Beacon(NOW_US)])
    journal(folder).close()
    found = look(config(folder), NOW_US)
    assert ["the daemon does not run; start it"] == found["problems"]


def test_daemon_that_writes_nothing_is_not_in_order(running):
    found = look(config(running[0]), NOW_US + round((SILENT_S + 1) * 1e6))
    assert ["the daemon has written nothing for 62 s; restart it"] == found["problems"]


def test_old_samples_beside_new_records_are_told(tmp_path, running):
    folder, _ = running
    late_us = NOW_US + round((OLD_S + 1) * 1e6)
    record(folder, *[[rec.Beacon(late_us - n)] for n in range(50, 0, -1)], now_us=late_us)
    found = look(config(folder), late_us)
    assert ["the data are old: no sample for 10 min; look at link and sensors"] == found["problems"]


def test_samples_of_yesterday_are_found_behind_midnight(tmp_path):
    record(tmp_path, [sample(NOW_US)], now_us=NOW_US)
    late_us = NOW_US + 24 * 60 * MINUTE_US
    record(tmp_path, [rec.Beacon(late_us)], now_us=late_us)
    assert 86400.0 == look(config(tmp_path), late_us)["sample"]["age_s"]


def test_open_alerts_are_listed_with_state_age_and_count(running):
    folder, made = running
    made.write([alert(1, count=3), ended(2), ended(3, state="normal")], 2, ROUTES, NOW_US)
    found = look(config(folder), NOW_US + MINUTE_US // 2)
    assert ["alert-1", "alert-2"] == [a["id"] for a in found["alerts"]]
    assert "NOW   Mill 1: oil missing, spindle turning" in text(found)
    assert "active, unacknowledged since 2026-11-25 03:13:05 (90 s ago), came 3 times" in text(
        found
    )
    assert found["in_order"]  # an alert is the machine's trouble, not condmon's


def test_waiting_deliveries_are_counted_with_the_reason_and_the_oldest(running):
    folder, made = running
    made.write([alert(), message(), message(2)], 2, ROUTES, NOW_US)
    made._db.execute("UPDATE delivery SET reason = '503 not now', tries = 3")
    found = look(config(folder), NOW_US + 30_000_000)
    assert (2, 30.0) == (found["waiting"], found["oldest_waiting"]["age_s"])
    assert "waits   phone: 503 not now" in text(found)
    assert found["in_order"]


def test_message_that_was_tried_for_a_quarter_hour_is_not_in_order(running):
    folder, made = running
    made.write([alert(), message()], 2, ROUTES, NOW_US - 16 * MINUTE_US)
    found = look(config(folder), NOW_US)
    assert found["in_order"]  # nobody has tried: it may be held until the quiet hours end
    made._db.execute("UPDATE delivery SET tries = 3, reason = 'nothing listens there'")
    found = look(config(folder), NOW_US)
    assert ["messages for phone do not get through; the reason stands above"] == found["problems"]
    assert "waits   phone: nothing listens there" in text(found)


@pytest.mark.parametrize(("trouble", "in_order"), [("", True), ("the broker is away", False)])
def test_alert_topic_that_does_not_show_what_is_so_is_not_in_order(running, trouble, in_order):
    folder, _ = running
    put_topic_state(folder, NOW_US, trouble)
    topic = AlertTopic("pier/alerts", ("now",))
    found = look(replace(config(folder), alert_topic=topic), NOW_US)
    assert in_order == found["in_order"]
    assert in_order or "does not show what is so: the broker is away" in text(found)


def test_failed_delivery_is_not_in_order_for_a_day_and_stays_counted(running):
    folder, made = running
    made.write([alert(), message()], 2, ROUTES, NOW_US)
    fail(made)
    found = look(config(folder), NOW_US)
    assert "failed  phone: Mill 1 NOW: oil missing: 401: check the secret" in text(found)
    assert any("1 deliveries failed within 24 h" in problem for problem in found["problems"])
    later = look(config(folder), NOW_US + round((FAILED_LATELY_S + 1) * 1e6))
    assert 1 == later["failed"]
    assert [] == later["failed_lately"]


def test_snapshot_age_is_told(running):
    folder, made = running
    made.write([entry()], 2, ROUTES, NOW_US)
    made.keep_snapshot(b"state", 2)
    assert 60.0 == look(config(folder), NOW_US + MINUTE_US)["snapshot"]["age_s"]


def test_damaged_files_are_told_in_words(running):
    folder, made = running
    made.close()
    (folder / "journal.db").write_bytes(b"x" * 5000)
    for path in folder.glob("stream-*.db"):
        path.write_bytes(b"y" * 5000)
    found = look(config(folder), NOW_US)
    assert any("damaged" in problem for problem in found["problems"])
    assert "none known" in text(found)


TOML = """
[site]
name = "North Pier Optics"
timezone = "Europe/Oslo"
[broker]
url = "mqtt://127.0.0.1:1883"
[store]
path = "store"
[[machine]]
id = "mill-1"
name = "Mill 1"
[machine.signal.oil_pulses]
topic = "pier/mill-1/oil"
role = "oil_pulses"
"""


def test_command_gives_one_json_object_and_exit_code_1_when_not_running(tmp_path, capsys):
    (tmp_path / "condmon.toml").write_text(TOML)
    assert 1 == main(["status", "-c", str(tmp_path / "condmon.toml"), "--json"])
    (line,) = capsys.readouterr().out.splitlines()
    found = json.loads(line)
    assert ("status", False, "North Pier Optics") == (
        found["kind"],
        found["running"],
        found["site"],
    )


def test_command_gives_exit_code_0_when_in_order(tmp_path, capsys):
    (tmp_path / "condmon.toml").write_text(TOML)
    lock = Lock(tmp_path / "store")
    now_us = Clock().now_us()
    record(tmp_path / "store", [sample(now_us), rec.Beacon(now_us)], now_us=now_us)
    journal(tmp_path / "store").close()
    assert 0 == main(["status", "-c", str(tmp_path / "condmon.toml")])
    lock.release()
    assert "condmon runs (pid" in capsys.readouterr().out


def test_help_states_the_rule_of_the_exit_codes(capsys):
    with pytest.raises(SystemExit):
        main(["status", "--help"])
    words = " ".join(capsys.readouterr().out.split())
    assert "Exit code 0: the daemon runs, a sample came within the last 10 minutes" in words
