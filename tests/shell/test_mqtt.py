"""The MQTT client against a real mosquitto: nothing acknowledged too early, nothing ends it."""

import contextlib
import socket
import threading

import pytest

from condmon.mqtt.client import Mqtt
from condmon.mqtt.inbox import Inbox
from condmon.mqtt.linkwords import Ending, Pauses
from tests.brokers import Mosquitto, free_port
from tests.fakes import FakeClock
from tests.listeners import TOPIC, Heard, broker_of, logged, numbered, publish
from tests.waiting import until

pytestmark = pytest.mark.broker


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
    with logged() as lines, Heard(broker_of(mosquitto), clock) as heard:
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
    monkeypatch.setattr("condmon.mqtt.connection.ANSWER_WITHIN_S", 0.2)
    with socket.create_server(("127.0.0.1", 0)) as server:
        broker = broker_of(None, port=server.getsockname()[1])
        with Heard(broker) as heard:
            heard.until_down("takes the connection but does not answer")


def test_thread_that_died_is_started_again_by_the_watchdog(mosquitto):
    with logged() as lines, Heard(broker_of(mosquitto)) as heard:
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


def test_refused_filter_is_named_and_the_others_are_heard():
    scripted = ScriptedBroker(b"", granted=b"\x01\x87")
    try:
        with logged() as lines, Heard(broker_of(scripted), topics=(TOPIC, "office/#")) as heard:
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
