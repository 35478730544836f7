"""`condmon publish` to a real broker: what a subscriber hears, when, and how trouble is told."""

import json
import threading

import paho.mqtt.client as paho
import pytest

from condmon import capture
from condmon.capture import Notes, write_recording
from condmon.cli import main
from condmon.commands import publish
from condmon.commands.record import run as record_run
from condmon.commands.replay import replay
from condmon.config import load
from condmon.engine.engine import Engine
from condmon.engine.records import SECOND_US
from condmon.engine.timetext import instant
from tests.brokers import Mosquitto, free_port
from tests.shell.test_replay import AT_US, CONFIG, messages
from tests.waiting import until

__all__ = ["record_run"]


class Listener:
    """A plain client that keeps what it hears, in order."""

    def __init__(self, broker: Mosquitto, topic: str = "#") -> None:
        self.heard: list[tuple[str, bytes, int, bool]] = []
        self.at_s: list[float] = []
        self._client = client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        client.on_message = self._on_message
        subscribed = threading.Event()
        client.on_subscribe = lambda *_: subscribed.set()
        client.on_connect = lambda *_: client.subscribe(topic, qos=1)  # also when it comes back
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        assert subscribed.wait(10)

    def _on_message(self, _client, _user, message):
        self.heard.append((message.topic, message.payload, message.qos, message.retain))

    def stop(self):
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def broker(tmp_path):
    one = Mosquitto(tmp_path / "broker").start()
    yield one
    one.stop()


@pytest.fixture
def listener(broker):
    one = Listener(broker)
    yield one
    one.stop()


@pytest.fixture(autouse=True)
def no_signals(monkeypatch):
    monkeypatch.setattr("condmon.mqtt.listening.signal.signal", lambda *_: None)


def run(capsys, broker, *words: object):
    code = main(["publish", "--broker", broker.url, *map(str, words)])
    return code, capsys.readouterr().err


@pytest.mark.broker
def test_a_recording_reaches_any_client_whole_and_in_order(tmp_path, capsys, broker, listener):
    write_recording(tmp_path / "day.jsonl.zst", messages())
    code, told = run(capsys, broker, tmp_path / "day.jsonl.zst", "--speed", "100000")
    assert (0, "condmon: 541 messages on 3 topics sent\n") == (code, told)
    until(lambda: len(listener.heard) == 541, 10)
    sent = [(one.topic, one.payload) for one in messages()]
    assert sent == [(topic, payload) for topic, payload, _, _ in listener.heard]
    assert {1} == {qos for *_, qos, _ in listener.heard}


@pytest.mark.broker
def test_n_times_life_takes_an_nth_of_the_time_and_tells_its_own_clock(tmp_path, capsys, broker):
    listener = Listener(broker, "replay/clock")
    write_recording(tmp_path / "day.jsonl", messages())
    import time

    began_s = time.monotonic()
    code, _ = run(capsys, broker, tmp_path / "day.jsonl", "--speed", "900", "--clock",
                  "replay/clock", "--from", "2025-11-24T06:00:00Z", "--qos", "0")  # fmt: skip
    took_s = time.monotonic() - began_s
    assert 0 == code
    assert took_s >= 1790 / 900
    listener.stop()
    told = [instant(payload.decode(), 0)[0] for _, payload, _, _ in listener.heard]
    assert len(told) >= 2
    assert told == sorted(told)
    assert AT_US <= told[0] <= told[-1] <= AT_US + 1800 * SECOND_US


@pytest.mark.broker
def test_a_capture_goes_out_as_the_payloads_that_the_configuration_describes(
    tmp_path, capsys, broker, listener
):
    (tmp_path / "condmon.toml").write_text(
        CONFIG.replace('role = "air_flow"', 'role = "air_flow"\nvalue = "/d/v"\ntime = "/t"')
    )
    (tmp_path / "day.csv").write_text(
        "time,machine,signal,value\n2025-11-24T06:00:00Z,mill-1,power,1\n"
        "2025-11-24T06:00:01Z,mill-1,air_flow,38.5\n2025-11-24T06:00:02Z,mill-2,oil_level,12\n"
        "2025-11-24T06:00:03Z,mill-1,air_flow,\n2025-11-24T06:00:04Z,mill-1,power,0\n"
    )
    code, _ = run(capsys, broker, tmp_path / "day.csv", "-c", tmp_path / "condmon.toml",
                  "--speed", "1000")  # fmt: skip
    assert 0 == code
    until(lambda: len(listener.heard) == 4, 10)
    told = [(topic, payload) for topic, payload, _, _ in listener.heard]
    assert ("pier/mill-2/oil", b"12") == told[2]
    assert {"d": {"v": 38.5}, "t": "2025-11-24T06:00:01Z"} == json.loads(told[1][1])
    config = load(tmp_path / "condmon.toml")
    words = {s.name: s for s in config.settings.signals}["power"]
    assert [words.words_on[0].encode(), words.words_off[0].encode()] == [told[0][1], told[3][1]]


@pytest.mark.broker
def test_as_now_writes_the_present_into_payloads(tmp_path, capsys, broker, listener):
    (tmp_path / "condmon.toml").write_text(
        CONFIG.replace('role = "air_flow"', 'role = "air_flow"\nvalue = "/v"\ntime = "/t"')
    )
    (tmp_path / "day.csv").write_text(
        "time,machine,signal,value\n2025-11-24T06:00:00Z,mill-1,air_flow,1\n"
        "2025-11-24T06:01:00Z,mill-1,air_flow,2\n"
    )
    run(capsys, broker, tmp_path / "day.csv", "-c", tmp_path / "condmon.toml", "--speed", "600",
        "--as-now")  # fmt: skip
    until(lambda: len(listener.heard) == 2, 10)
    a, b = (instant(json.loads(row[1])["t"], 0)[0] for row in listener.heard)
    assert 0.1 == pytest.approx((b - a) / SECOND_US, abs=1e-3)
    assert a > AT_US + 86_400 * SECOND_US


@pytest.mark.broker
def test_what_was_sent_recorded_and_replayed_says_the_same(tmp_path, capsys, broker):
    (tmp_path / "condmon.toml").write_text(CONFIG)
    settings = load(tmp_path / "condmon.toml").settings
    write_recording(tmp_path / "day.jsonl", messages())
    listener = Listener(broker)
    run(capsys, broker, tmp_path / "day.jsonl", "--speed", "100000")
    until(lambda: len(listener.heard) == 541, 10)
    listener.stop()
    times = [one.arrived_us for one in messages()]
    again = [
        {"at": at_us / SECOND_US, "topic": topic, "payload": payload.decode()}
        for at_us, (topic, payload, _, _) in zip(times, listener.heard, strict=True)
    ]
    write_recording(tmp_path / "again.jsonl", again)
    said = [
        replay(capture.read([tmp_path / name], settings, Notes()), Engine(settings))
        for name in ("day.jsonl", "again.jsonl")
    ]
    assert said[0] == said[1]


@pytest.mark.broker
def test_a_broker_that_comes_back_gets_the_rest(tmp_path, capsys, broker, listener):
    write_recording(tmp_path / "day.jsonl", messages())
    codes: list[int] = []
    sending = threading.Thread(
        target=lambda: codes.append(main(["publish", "--broker", broker.url, "--speed", "600",
                                          str(tmp_path / "day.jsonl")]))
    )  # fmt: skip
    sending.start()
    until(lambda: len(listener.heard) > 30, 10)
    broker.stop()
    broker.start()
    sending.join(30)
    assert [0] == codes
    until(lambda: len({row[:2] for row in listener.heard if row[1] == b"rubbish"}) == 1, 15)


def test_nobody_listening_and_wrong_words_are_told_in_words(tmp_path, capsys):
    write_recording(tmp_path / "day.jsonl", messages())
    (tmp_path / "day.csv").write_text("time,machine,signal,value\n1,mill-1,power,1\n")
    url = f"mqtt://127.0.0.1:{free_port()}"
    for words, code, why in (
        (("--broker", url, tmp_path / "day.jsonl"), 1, "nobody listens at 127.0.0.1"),
        ((tmp_path / "day.jsonl",), 2, "say which broker"),
        (("--broker", url, tmp_path / "day.csv"), 2, "-c FILE has to say"),
        (("--broker", url, tmp_path / "day.jsonl", "--speed", "-1"), 2, "--speed -1"),
        (("--broker", url, tmp_path / "day.jsonl", "--day", "2020-01-01"), 2, "nothing to send"),
        (("--broker", "http://x", tmp_path / "day.jsonl"), 2, "--broker"),
    ):
        assert code == main(["publish", *map(str, words)])
        told = capsys.readouterr().err
        assert why in told
        assert "Traceback" not in told


def test_the_module_says_that_the_daemons_broker_is_not_for_this():
    import argparse

    parser = argparse.ArgumentParser()
    publish.arguments(parser)
    assert "the past for the present" in str(parser.epilog)
