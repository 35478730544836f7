"""The MQTT client against a real mosquitto: nothing acknowledged too early, nothing ends it."""

import contextlib
import socket
import ssl
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Self

import paho.mqtt.client as paho
import pytest
import structlog

from condmon.clock import Clock
from condmon.config import Broker
from condmon.engine.decode import Arrived
from condmon.engine.records import Link
from condmon.inbox import Inbox
from condmon.linkwords import Ending, Pauses, cannot_connect
from condmon.mqtt import Mqtt
from tests.brokers import QUEUES, Mosquitto, free_port
from tests.fakes import FakeClock
from tests.waiting import until

pytestmark = pytest.mark.broker
TOPIC = "pier/mill-1/bearing"


def broker_of(mosquitto: object, **changes: object) -> Broker:
    told: dict[str, object] = {
        "host": "127.0.0.1", "port": getattr(mosquitto, "port", 0), "tls": False, "ca_file": None,
        "cert_file": None, "key_file": None, "username": None, "password_file": None,
        "client_id": "condmon-test", "keepalive_s": 5,
    }  # fmt: skip
    return Broker(**{**told, **changes})  # type: ignore[arg-type]


class Heard:
    """A client with its inbox, and what came so far."""

    def __init__(self, broker: Broker, clock: Clock | FakeClock | None = None,
                 topics: tuple[str, ...] = (TOPIC,)) -> None:  # fmt: skip
        self.clock = clock or Clock()
        self.inbox = Inbox(self.clock.now_us)
        self.mqtt = Mqtt(broker, topics, self.inbox, self.clock)
        self.messages: list[Arrived] = []
        self.links: list[Link] = []
        self.tickets: list[int] = []

    def __enter__(self) -> Self:
        self.mqtt.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.mqtt.stop(5)

    def take(self, wait_s: float = 0.05) -> list[int]:
        taken = self.inbox.take(2000, wait_s)
        self.messages += [entry for entry in taken.entries if isinstance(entry, Arrived)]
        self.links += [entry for entry in taken.entries if isinstance(entry, Link)]
        self.tickets += taken.tickets
        return taken.tickets

    def until_up(self) -> None:
        until(lambda: self.take() is not None and self.mqtt.up, 10, "the link is up")

    def payloads(self) -> list[bytes]:
        return [message.payload for message in self.messages]

    def until_heard(self, count: int, seconds: float = 10) -> None:
        until(lambda: self.take() is not None and len(self.messages) >= count, seconds,
              f"{count} messages")  # fmt: skip

    def until_down(self, words: str, seconds: float = 20) -> None:
        def down() -> bool:
            self.take()
            return any(not link.up and words in link.reason for link in self.links)

        until(down, seconds, f"the link is down: {words!r} in {self.links}")


def publish(mosquitto: Mosquitto, payloads: list[bytes], retain: bool = False) -> None:
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.max_inflight_messages = 1000
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    sent = [client.publish(TOPIC, payload, qos=1, retain=retain) for payload in payloads]
    for one in sent:
        one.wait_for_publish(20)
    client.disconnect()
    client.loop_stop()


def numbered(first: int, count: int) -> list[bytes]:
    return [b"%d" % n for n in range(first, first + count)]


@contextlib.contextmanager
def logged() -> Iterator[list[dict[str, object]]]:
    with structlog.testing.capture_logs() as lines:
        yield lines


def test_messages_arrive_in_order_with_retained_kept(mosquitto):
    publish(mosquitto, [b"old"], retain=True)
    with Heard(broker_of(mosquitto)) as heard:
        heard.until_heard(1)
        publish(mosquitto, numbered(0, 50))
        heard.until_heard(51)
    assert [b"old", *numbered(0, 50)] == heard.payloads()
    assert [True] + [False] * 50 == [message.retain for message in heard.messages]
    assert [True] == [link.up for link in heard.links]


def test_what_was_not_acknowledged_comes_again_after_a_restart(mosquitto):
    with Heard(broker_of(mosquitto)) as first:
        first.until_up()
        publish(mosquitto, numbered(0, 40))
        first.until_heard(40)
        first.mqtt.acknowledge(first.tickets[:25])
    with Heard(broker_of(mosquitto)) as second:
        second.until_heard(15)
        second.mqtt.acknowledge(second.tickets)
    assert numbered(25, 15) == second.payloads()
    with Heard(broker_of(mosquitto)) as third:
        third.until_up()
        publish(mosquitto, [b"end"])
        third.until_heard(1)
    assert [b"end"] == third.payloads()


def test_messages_sent_while_away_and_over_a_broker_restart_arrive(mosquitto):
    with Heard(broker_of(mosquitto)) as heard:
        heard.until_up()
    publish(mosquitto, numbered(0, 300))
    mosquitto.restart()
    with Heard(broker_of(mosquitto)) as again:
        again.until_heard(300)
    assert numbered(0, 300) == again.payloads()


def test_broker_restart_is_told_and_subscriptions_are_made_again(mosquitto):
    with Heard(broker_of(mosquitto)) as heard:
        heard.until_up()
        publish(mosquitto, numbered(0, 3))
        heard.until_heard(3)
        old = heard.tickets[:]
        mosquitto.stop()
        heard.until_down("")
        mosquitto.start()
        heard.until_up()
        heard.mqtt.acknowledge(old)  # ids of a connection that is gone
        until(lambda: heard.mqtt.counts.acknowledged_too_late == 3, 5)
        heard.until_heard(6)  # so the broker sent them again
        publish(mosquitto, [b"after"])
        heard.until_heard(7)
    assert [*numbered(0, 3), *numbered(0, 3), b"after"] == heard.payloads()
    assert 0 == heard.mqtt.counts.acknowledged


def test_frozen_broker_is_noticed_within_three_keepalives(mosquitto):
    with Heard(broker_of(mosquitto, keepalive_s=1)) as heard:
        heard.until_up()
        mosquitto.freeze()
        heard.until_down("", seconds=5)
        mosquitto.thaw()
        heard.until_up()


def test_exception_in_a_callback_is_counted_and_the_thread_lives(mosquitto):
    clock = FakeClock()
    with Heard(broker_of(mosquitto), clock) as heard, logged() as lines:
        heard.until_up()
        clock.fail_next = 2
        publish(mosquitto, numbered(0, 5))
        heard.until_heard(3)
        publish(mosquitto, [b"end"])
        heard.until_heard(4)
    assert [b"2", b"3", b"4", b"end"] == heard.payloads()
    assert len(heard.messages) == len(heard.tickets)
    assert 2 == heard.mqtt.counts.exceptions
    assert 1 == len([line for line in lines if line["event"] == "fault in the mqtt thread"])


def test_full_inbox_stops_reading_and_nothing_is_lost(mosquitto):
    heard = Heard(broker_of(mosquitto, receive_maximum=65535))
    heard.inbox = Inbox(heard.clock.now_us, messages_max=100)
    heard.mqtt = Mqtt(broker_of(mosquitto), (TOPIC,), heard.inbox, heard.clock)
    with heard:
        heard.until_up()
        publisher = threading.Thread(target=publish, args=(mosquitto, numbered(0, 3000)))
        publisher.start()
        until(lambda: not heard.inbox.has_room(), 10, "the inbox fills")
        assert heard.mqtt.counts.messages < 100 + 500 + 1
        while len(heard.messages) < 3000:
            heard.mqtt.acknowledge(heard.take())
        publisher.join(20)
    assert numbered(0, 3000) == heard.payloads()
    assert 0 == heard.inbox.lost_total


def test_another_client_with_our_name_is_told_once_and_slows_down(mosquitto):
    """This broker gives no reason: the pattern tells it."""
    with Heard(broker_of(mosquitto)) as first, Heard(broker_of(mosquitto)) as second:
        with logged() as lines:

            def told() -> list[dict[str, object]]:
                first.take(), second.take()
                return [line for line in lines if "uses our name" in str(line.get("reason"))]

            until(told, 30, "one of them noticed")
        assert 1 == len(told())
        assert 30 <= float(str(told()[0]["next_try_s"]))


class ScriptedBroker:
    """Answers CONNECT and SUBSCRIBE, then sends the bytes it was given and closes."""

    def __init__(self, then: bytes, granted: bytes = b"\x01") -> None:
        self.socket = socket.create_server(("127.0.0.1", 0))
        self.port = self.socket.getsockname()[1]
        self.connections = 0
        self._then = then
        self._granted = granted
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                sock, _ = self.socket.accept()
                self.connections += 1
                with sock:
                    sock.recv(4096)
                    sock.sendall(b"\x20\x03\x01\x00\x00")
                    subscribe = sock.recv(4096)
                    answer = subscribe[2:4] + b"\x00" + self._granted
                    sock.sendall(b"\x90" + bytes([len(answer)]) + answer)
                    sock.sendall(self._then)
                    sock.recv(4096)

    def close(self) -> None:
        self.socket.shutdown(socket.SHUT_RDWR)
        self.socket.close()
        self._thread.join(5)


@pytest.mark.parametrize(("then", "words", "slow"), [
    (b"\xe0\x02\x8e\x00", "another client came with our name", True),
    (b"\xe0\x02\x8b\x00", "Server shutting down", False),
    (b"\x30\xff\xff\xff\xff\xff", "", False),
])  # fmt: skip
def test_what_the_broker_says_at_the_end_is_understood(then, words, slow):
    scripted = ScriptedBroker(then)
    try:
        with logged() as lines, Heard(broker_of(scripted)) as heard:
            heard.until_down(words)
            until(lambda: [line for line in lines if "next_try_s" in line], 5)
            waits = [float(str(line["next_try_s"])) for line in lines if "next_try_s" in line]
            assert slow == (waits[0] >= 30)
    finally:
        scripted.close()


def test_broker_that_takes_the_connection_and_says_nothing_is_left(monkeypatch):
    monkeypatch.setattr("condmon.connection.ANSWER_WITHIN_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as server:
        broker = broker_of(None, port=server.getsockname()[1])
        with Heard(broker) as heard:
            heard.until_down("takes the connection but does not answer")


def test_thread_that_died_is_started_again_by_the_watchdog(mosquitto):
    with Heard(broker_of(mosquitto)) as heard, logged() as lines:
        heard.until_up()
        connection = heard.mqtt._connection
        heard.mqtt._generation += 1  # the thread believes that it was replaced, and ends
        connection.wake()
        until(lambda: not heard.mqtt._thread.is_alive(), 10, "the thread ended")
        heard.mqtt.look()
        heard.until_up()
        publish(mosquitto, [b"again"])
        heard.until_heard(1)
    assert [b"again"] == heard.payloads()
    assert "mqtt thread started again" in [line["event"] for line in lines]


class HangingClock(FakeClock):
    """A clock that hangs when a message arrives, until it is let go."""

    def __init__(self) -> None:
        super().__init__()
        self.go_on, self.hangs = threading.Event(), threading.Event()

    def now_us(self) -> int:
        if self.fail_next and threading.current_thread().name == "mqtt":
            self.fail_next -= 1
            self.hangs.set()
            self.go_on.wait(20)
        return super().now_us()


def test_thread_that_hangs_is_replaced_and_its_late_message_is_not_acknowledged(mosquitto):
    clock = HangingClock()
    with Heard(broker_of(mosquitto), clock) as heard, logged():
        heard.until_up()
        clock.fail_next = 1
        publish(mosquitto, [b"stuck"])
        assert clock.hangs.wait(10)
        clock.pass_s(91)
        heard.mqtt.look()
        heard.until_heard(1)
        assert 1 == heard.mqtt.counts.restarts
        clock.go_on.set()
        heard.mqtt.acknowledge(heard.tickets)
        until(lambda: heard.mqtt.counts.acknowledged == 1, 10)
        publish(mosquitto, [b"next"])
        until(lambda: heard.take() is not None and b"next" in heard.payloads(), 10)
    assert {b"stuck", b"next"} == set(heard.payloads())


def test_wrong_password_is_told_in_words_and_a_new_one_is_read_from_the_file(tmp_path):
    words = tmp_path / "passwords"
    words.touch(mode=0o600)
    subprocess.run(["mosquitto_passwd", "-b", str(words), "condmon", "right"], check=True,
                   capture_output=True)  # fmt: skip
    text = QUEUES.replace("allow_anonymous true", f"allow_anonymous false\npassword_file {words}")
    mosquitto = Mosquitto(tmp_path / "broker", text).start()
    secret = tmp_path / "secret"
    secret.write_text("wrong\n")
    broker = broker_of(mosquitto, username="condmon", password_file=secret)
    try:
        with Heard(broker) as heard, logged() as lines:
            heard.until_down("refused our user or password")
            until(lambda: len(lines) >= 1, 5)
            assert 30 <= float(str(lines[0]["next_try_s"]))
            assert "wrong" not in str(lines)
        secret.write_text("right\n")
        with Heard(broker) as heard:
            heard.until_up()
        secret.unlink()
        with Heard(broker) as heard:
            heard.until_down(f"cannot read {secret}")
    finally:
        mosquitto.stop()


def test_refused_filter_is_named_and_the_others_are_heard():
    scripted = ScriptedBroker(b"", granted=b"\x01\x87")
    try:
        with Heard(broker_of(scripted), topics=(TOPIC, "office/#")) as heard, logged() as lines:
            heard.until_up()
            assert {"office/#": "Not authorized"} == heard.mqtt.refused_filters
            until(lambda: [line for line in lines if line.get("filter") == "office/#"], 5)
    finally:
        scripted.close()


def test_nobody_listening_and_unknown_host_are_told_in_words(tmp_path):
    mosquitto = Mosquitto(tmp_path / "broker")
    with Heard(broker_of(mosquitto, port=free_port())) as heard:
        heard.until_down("nobody listens at 127.0.0.1")
    with Heard(broker_of(mosquitto, host="no-such-host.invalid")) as heard:
        heard.until_down("cannot be resolved")


def test_pauses_double_with_jitter_and_are_slow_where_only_a_person_helps():
    pauses, lost = Pauses("c", seed=1), Ending("lost", "x")
    waits = [pauses.judge(lost, 0.0, was_up=False)[1] for _ in range(1100)]
    assert all(0.5 * 2**n <= wait <= 2**n for n, wait in enumerate(waits[:6]))
    assert all(30 <= wait <= 60 for wait in waits[6:])
    assert 1000 < len(set(waits))
    assert pauses.judge(lost, 31.0, was_up=True)[1] <= 1.0
    over = Ending("taken over", "x")
    slow = [pauses.judge(over, 0.1, was_up=True)[1] for _ in range(5)]
    assert 30 <= slow[0] <= 60
    assert 300 <= slow[4] <= 600


def test_three_short_connections_in_a_row_mean_a_name_used_twice():
    pauses, lost = Pauses("c", seed=1), Ending("lost", "x")
    kinds = [pauses.judge(lost, 2.0, was_up=True)[0].why for _ in range(3)]
    assert ["lost", "lost", "taken over"] == kinds
    assert "taken over" == pauses.judge(lost, 100.0, was_up=True)[0].why
    assert "lost" == pauses.judge(lost, 2.0, was_up=False)[0].why
    assert "lost" == pauses.judge(lost, 2.0, was_up=True)[0].why


# TLS


def openssl(*words: str, cwd: Path) -> None:
    subprocess.run(["openssl", *words], cwd=cwd, check=True, capture_output=True)


@pytest.fixture(scope="module")
def papers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An authority, and certificates: good, expired, of tomorrow, for another host."""
    folder = tmp_path_factory.mktemp("papers")
    openssl("req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "ca.key", "-out", "ca.crt",
            "-subj", "/CN=pier authority", "-days", "30", cwd=folder)  # fmt: skip
    openssl("req", "-newkey", "rsa:2048", "-nodes", "-keyout", "broker.key", "-out", "broker.csr",
            "-subj", "/CN=broker", cwd=folder)  # fmt: skip
    (folder / "index.txt").touch()
    (folder / "serial").write_text("01\n")
    spans = {"good": ("20250101000000Z", "20990101000000Z"),
             "expired": ("20200101000000Z", "20200201000000Z"),
             "tomorrow": ("20980101000000Z", "20990101000000Z"),
             "other": ("20250101000000Z", "20990101000000Z")}  # fmt: skip
    for name, (start, end) in spans.items():
        host = "DNS:elsewhere.example" if name == "other" else "IP:127.0.0.1"
        (folder / f"{name}.cnf").write_text(
            "[ca]\ndefault_ca = a\n[a]\ndatabase = index.txt\nserial = serial\n"
            "new_certs_dir = .\ndefault_md = sha256\npolicy = p\nunique_subject = no\n"
            f"x509_extensions = x\n[p]\ncommonName = supplied\n[x]\nsubjectAltName = {host}\n"
        )
        openssl("ca", "-batch", "-config", f"{name}.cnf", "-cert", "ca.crt", "-keyfile", "ca.key",
                "-in", "broker.csr", "-out", f"{name}.crt", "-startdate", start, "-enddate", end,
                "-notext", cwd=folder)  # fmt: skip
    return folder


@pytest.mark.filterwarnings(  # the library leaves a socket whose handshake failed to the collector
    "ignore::pytest.PytestUnraisableExceptionWarning"
)
@pytest.mark.parametrize(("paper", "words"), [
    ("good", ""),
    ("expired", "certificate has expired"),
    ("tomorrow", "not yet valid; the system clock may be wrong"),
    ("other", "for another host name than '127.0.0.1'"),
    ("stranger", "not signed by anyone known here"),
])  # fmt: skip
def test_tls_certificates_are_judged_in_words(tmp_path, papers, paper, words):
    used = "good" if paper == "stranger" else paper
    listener = f"certfile {papers}/{used}.crt\nkeyfile {papers}/broker.key"
    mosquitto = Mosquitto(tmp_path / "broker", listener=listener).start()
    ca = None if paper == "stranger" else papers / "ca.crt"
    try:
        with Heard(broker_of(mosquitto, tls=True, ca_file=ca)) as heard:
            if words:
                heard.until_down(words)
                return
            heard.until_up()
            publisher = subprocess.run(
                ["mosquitto_pub", "-p", str(mosquitto.port), "--cafile", str(papers / "ca.crt"),
                 "-h", "127.0.0.1", "-t", TOPIC, "-q", "1", "-m", "safe"], check=False)  # fmt: skip
            assert 0 == publisher.returncode
            heard.until_heard(1)
            heard.mqtt.acknowledge(heard.tickets)
            until(lambda: heard.mqtt.counts.acknowledged == 1, 5)
        assert [b"safe"] == heard.payloads()
    finally:
        mosquitto.stop()


def test_missing_or_useless_certificate_files_are_named(tmp_path, papers):
    mosquitto = Mosquitto(tmp_path / "broker")
    missing = tmp_path / "missing.crt"
    with Heard(broker_of(mosquitto, tls=True, ca_file=missing)) as heard:
        heard.until_down(str(missing))
    useless = tmp_path / "useless.crt"
    useless.write_text("no certificate")
    with Heard(broker_of(mosquitto, tls=True, ca_file=useless)) as heard:
        heard.until_down("the TLS files cannot be used")


def test_plain_port_spoken_to_with_tls_is_told_in_words():
    broker = Broker("h", 1, True, None, None, None, None, None, "c")
    ending = cannot_connect(ssl.SSLError(1, "wrong version number"), broker)
    assert "perhaps the port is not the TLS one" in ending.words
