"""condmon record: a whole file whatever ends it, and words where it cannot begin."""

import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import orjson
import pyarrow as pa
import pytest

from condmon.capture import Notes, read
from condmon.config import load
from condmon.engine.records import Samples
from tests.brokers import Mosquitto, free_port
from tests.daemons import HEAD, MILL
from tests.waiting import until

Process = "subprocess.Popen[str]"


@pytest.fixture
def record() -> Iterator[Callable[..., Process]]:
    """Start `condmon record`; nothing of it is left after the test."""
    started: list[subprocess.Popen[str]] = []

    def start(*words: str) -> "subprocess.Popen[str]":
        process = subprocess.Popen(
            [sys.executable, "-W", "error", "-m", "condmon", "record", *words],
            stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        started.append(process)
        return process

    yield start
    for process in started:
        process.kill()
        process.communicate()


def end(process: Process, number: int | None = None) -> tuple[int, str]:
    if number is not None:
        process.send_signal(number)
    _, words = process.communicate(timeout=20)
    assert "Traceback" not in words
    return process.returncode, words


def publish(mosquitto: Mosquitto, topic: str, payload: bytes, qos: int = 1) -> None:
    subprocess.run(["mosquitto_pub", "-p", str(mosquitto.port), "-t", topic, "-q", str(qos), "-s"],
                   input=payload, check=True)  # fmt: skip


def sessions(mosquitto: Mosquitto) -> int:
    """Clients that the broker has connected so far."""
    return (mosquitto.folder / "mosquitto.log").read_text().count(" as condmon-record-")


def lines(path: Path) -> list[dict[str, object]]:
    content = path.read_bytes()
    if path.suffix == ".zst":
        content = pa.CompressedInputStream(pa.BufferReader(content), "zstd").read()
    elif path.suffix == ".gz":
        content = pa.CompressedInputStream(pa.BufferReader(content), "gzip").read()
    return [orjson.loads(line) for line in content.splitlines()]


@pytest.mark.broker
@pytest.mark.parametrize("name", ["day.jsonl", "day.jsonl.gz", "day.jsonl.zst"])
def test_messages_are_written_and_ctrl_c_leaves_a_whole_file(record, tmp_path, mosquitto, name):
    path = tmp_path / name
    process = record("--broker", mosquitto.url, "--topic", "pier/#", "-o", str(path))
    until(lambda: sessions(mosquitto) == 1, 10, "connected")
    time_s = time.time()
    publish(mosquitto, "office/light", b"on")
    first = 0
    while not path.exists() or first < 5:  # subscribed a moment after it connected
        publish(mosquitto, "pier/mill-1/bearing", b'{"v": %d}' % first)
        publish(mosquitto, "pier/mill-1/raw", b"\xff\x00%d" % first, qos=0)
        first += 1
    code, words = end(process, signal.SIGINT)
    rows = lines(path)
    assert 0 == code
    assert f"{len(rows)} messages of 2 topics written" in words
    assert {"pier/mill-1/bearing", "pier/mill-1/raw"} == {row["topic"] for row in rows}
    assert '{"v": 4}' == [row for row in rows if "payload" in row][-1]["payload"]
    assert "/wA0" == [row for row in rows if "payload_b64" in row][-1]["payload_b64"]
    assert {("pier/mill-1/bearing", 1), ("pier/mill-1/raw", 0)} == {
        (row["topic"], row["qos"]) for row in rows
    }
    assert all(abs(float(str(row["at"])) - time_s) < 20 for row in rows)


@pytest.mark.broker
def test_what_was_recorded_can_be_read_for_a_replay(record, tmp_path, mosquitto):
    (tmp_path / "condmon.toml").write_text(HEAD.format(url=mosquitto.url) + MILL)
    path = tmp_path / "day.jsonl.zst"
    process = record("-c", str(tmp_path / "condmon.toml"), "--for", "3 s", "-o", str(path))
    until(lambda: sessions(mosquitto) == 1, 10, "connected")
    for n in range(5):
        publish(mosquitto, "pier/mill-1/bearing", b'{"v": 40, "n": %d}' % n)
    code, _ = end(process)
    assert 0 == code
    settings = load(tmp_path / "condmon.toml").settings
    batches = list(read([path], settings, Notes()))
    values = [value for batch in batches for run in batch if isinstance(run, Samples)
              for value in run.value[run.signal == 1]]  # fmt: skip
    assert 4.0 == values[-1]


@pytest.mark.broker
def test_broker_that_goes_away_is_told_and_the_file_stays_whole(record, tmp_path, mosquitto):
    path = tmp_path / "day.jsonl"
    process = record("--broker", mosquitto.url, "-o", str(path))
    until(lambda: sessions(mosquitto) == 1, 10, "connected")
    mosquitto.stop()
    mosquitto.start()
    until(lambda: sessions(mosquitto) >= 2, 20, "connected again")
    code, words = end(process, signal.SIGTERM)
    assert 0 == code
    assert "trying again" in words
    assert [] == lines(path)


@pytest.mark.parametrize(("words", "code", "told"), [
    (["--broker", "http://127.0.0.1"], 2, 'write it like "mqtt://host:1883"'),
    (["--broker", "mqtt://127.0.0.1:1", "--topic", "a/#/b"], 2, "--topic 'a/#/b'"),
    (["--broker", "mqtt://127.0.0.1:1", "--for", "soon"], 2, "--for 'soon' is no time"),
    (["--broker", "mqtt://no-such-host.invalid"], 1, "cannot be resolved"),
    ([], 2, "give either --broker"),
])  # fmt: skip
def test_what_cannot_begin_is_told_in_words(record, tmp_path, words, code, told):
    got, text = end(record(*words, "-o", str(tmp_path / "day.jsonl")))
    assert code == got
    assert told in text
    assert not (tmp_path / "day.jsonl").exists()


def test_nobody_listening_is_told_in_words(record, tmp_path):
    url = f"mqtt://127.0.0.1:{free_port()}"
    code, text = end(record("--broker", url, "-o", str(tmp_path / "day.jsonl")))
    assert 1 == code
    assert "nobody listens" in text


@pytest.mark.slow
def test_a_port_that_never_answers_is_told_in_words(record, tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as server:
        url = f"mqtt://127.0.0.1:{server.getsockname()[1]}"
        code, text = end(record("--broker", url, "-o", str(tmp_path / "day.jsonl")))
    assert 1 == code
    assert "does not answer" in text


def test_existing_file_is_never_written_over(record, tmp_path):
    path = tmp_path / "day.jsonl"
    path.write_text("precious\n")
    code, text = end(record("--broker", "mqtt://127.0.0.1:1", "-o", str(path)))
    assert 2 == code
    assert "already there" in text
    assert "precious\n" == path.read_text()


def test_folder_without_right_is_told_in_words(record, tmp_path):
    missing = tmp_path / "missing" / "day.jsonl"
    code, text = end(record("--broker", "mqtt://127.0.0.1:1", "-o", str(missing)))
    assert 2 == code
    assert f"cannot write {missing}" in text
    assert not missing.parent.exists()
