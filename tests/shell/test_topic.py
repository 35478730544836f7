"""The alert topic on a real broker: what it keeps agrees with the alerts, whatever restarts."""

import json
import subprocess
import threading
from dataclasses import replace
from types import SimpleNamespace

import paho.mqtt.client as paho
import pytest

from condmon.clock import Clock
from condmon.config import Broker
from condmon.config.shape import AlertTopic
from condmon.senders.topic import TopicFollower
from condmon.senders.topicstate import topic_state
from condmon.store.journal import Journal
from tests.brokers import QUEUES, Mosquitto
from tests.letters import SITE, alert, ended
from tests.receivers import certificate
from tests.waiting import until

pytestmark = pytest.mark.broker
TOPIC = "pier/alerts"
ONE = f"{TOPIC}/mill-1/oil-missing/alert-1"
ALL = ("now", "today", "note")


class Lamp:
    """A subscriber of the alert topic that remembers everything it was sent, in order."""

    def __init__(self, port: int) -> None:
        self.got: list[tuple[str, bytes, bool]] = []
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda client, *_: client.subscribe(f"{TOPIC}/#", qos=1)
        self._client.on_message = lambda _client, _user, m: self.got.append(
            (m.topic, bytes(m.payload), m.retain)
        )
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    @property
    def shining(self) -> dict[str, str]:
        """Topic -> id of the last active event, of those not cleared since."""
        out: dict[str, str] = {}
        for topic, body, _ in self.got:
            if not body:
                out.pop(topic, None)
            elif json.loads(body).get("type") == "condmon.alert.active":
                out[topic] = json.loads(body)["id"]
        return out

    @property
    def ends(self) -> list[str]:
        events = [json.loads(body) for _, body, _ in self.got if body]
        return [event["id"] for event in events if event.get("type") == "condmon.alert.ended"]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Follower:
    """A follower in a thread; `stop` ends it as the daemon's end does."""

    def __init__(self, folder, port, topic=TOPIC, urgencies=ALL, site=SITE.site, **broker) -> None:
        where = Broker("127.0.0.1", port, False, None, None, None, None, None, "condmon", 5)
        self._stop = threading.Event()
        follower = TopicFollower(
            AlertTopic(topic, urgencies), replace(where, **broker), site, folder, Clock()
        )
        self._thread = threading.Thread(target=follower.run, args=(self._stop,))
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(15)
        assert not self._thread.is_alive()


@pytest.fixture
def journal(tmp_path):
    made = Journal(tmp_path / "store")
    yield made
    made.close()


@pytest.fixture
def ending():
    """Everything that is to be ended after a test, newest first."""
    started = []
    yield started
    for one in reversed(started):
        (one.stop if isinstance(one, Follower) else one.close)()


def put(journal, *alerts):
    journal.write(alerts, journal.offset() + 1, [], Clock().now_us())


def test_alert_is_kept_while_active_and_its_end_is_said_once_before_it_is_cleared(
    journal, mosquitto, ending
):
    put(journal, alert())
    follower = Follower(journal.path.parent, mosquitto.port)
    ending.append(follower)
    lamp = Lamp(mosquitto.port)
    ending.append(lamp)
    until(lambda: lamp.shining == {ONE: "alert-1:1"}, 10, "it shines")
    late = Lamp(mosquitto.port)
    ending.append(late)
    until(lambda: late.shining == {ONE: "alert-1:1"}, 10, "who comes later sees it too")
    _, body, retained = late.got[0]
    event = json.loads(body)
    assert retained
    assert ("1.0", "condmon/North%20Pier%20Optics", "mill-1/oil-missing") == (
        event["specversion"], event["source"], event["subject"],
    )  # fmt: skip
    assert "Mill 1 NOW: oil missing, spindle turning" == event["data"]["title"]
    assert "active_unacknowledged" == event["data"]["alert"]["state"]
    put(journal, alert(revision=2, state="active_acknowledged", acknowledged_by="Ola"))
    until(lambda: lamp.shining == {ONE: "alert-1:2"}, 10, "the change is shown")
    put(journal, ended(revision=3))
    until(lambda: not lamp.shining, 10, "it is cleared")
    assert ["alert-1:ended"] == lamp.ends
    assert (ONE, b"", False) == lamp.got[-1]
    assert "" == topic_state(journal.path.parent)[1]


def test_silenced_alert_is_taken_off_without_a_word_of_its_end(journal, mosquitto, ending):
    put(journal, alert(1), alert(2, urgency="today"))
    follower = Follower(journal.path.parent, mosquitto.port, urgencies=("now",))
    ending.append(follower)
    lamp = Lamp(mosquitto.port)
    ending.append(lamp)
    until(lambda: lamp.shining == {ONE: "alert-1:1"}, 10, "only the urgent one shines")
    put(journal, alert(revision=2, state="shelved"))
    until(lambda: not lamp.shining, 10, "it is cleared")
    assert [] == lamp.ends


def test_what_ended_while_condmon_was_away_is_cleared_after_its_start_and_nothing_else_is(
    journal, mosquitto, ending
):
    folder = journal.path.parent
    put(journal, alert(1), alert(2))
    follower = Follower(folder, mosquitto.port)
    lamp = Lamp(mosquitto.port)
    ending.append(lamp)
    until(lambda: len(lamp.shining) == 2, 10, "both shine")
    follower.stop()
    other = f"{TOPIC}/mill-9/another/one"
    lamp._client.publish(other, b'{"source":"other shop"}', qos=1, retain=True)
    put(journal, ended(1), alert(3))
    before = len(lamp.got)
    ending.append(Follower(folder, mosquitto.port))
    three = f"{TOPIC}/mill-1/oil-missing/alert-3"
    two = f"{TOPIC}/mill-1/oil-missing/alert-2"
    until(lambda: lamp.shining == {two: "alert-2:1", three: "alert-3:1"}, 10, "as it stands now")
    assert ["alert-1:ended"] == lamp.ends
    after = [topic for topic, _, _ in lamp.got[before:]]
    assert two not in after  # it was right already
    late = Lamp(mosquitto.port)
    ending.append(late)
    until(lambda: len(late.got) == 3, 10, "what is kept now")
    assert {two, three, other} == {topic for topic, _, _ in late.got}


def test_broker_that_goes_away_and_comes_back_has_it_right_soon_and_repeats_only_the_same_ids(
    journal, mosquitto, ending
):
    put(journal, alert(1), alert(2))
    ending.append(Follower(journal.path.parent, mosquitto.port))
    lamp = Lamp(mosquitto.port)
    ending.append(lamp)
    until(lambda: len(lamp.shining) == 2, 10, "both shine")
    mosquitto.stop()
    put(journal, ended(1), alert(3))
    until(lambda: topic_state(journal.path.parent)[1] != "", 20, "the trouble is shown")
    mosquitto.start()
    until(lambda: len(lamp.shining) == 2 and lamp.ends, 30, "one is over, one is new")
    three = f"{TOPIC}/mill-1/oil-missing/alert-3"
    assert "alert-3:1" == lamp.shining[three]
    assert ONE not in lamp.shining
    assert {"alert-1:ended"} == set(lamp.ends)
    until(lambda: topic_state(journal.path.parent)[1] == "", 10, "and that it is over")


def test_broker_that_forgot_everything_is_told_again(journal, tmp_path, ending):
    forgetful = Mosquitto(tmp_path / "other", QUEUES.replace("persistence true", ""))
    forgetful.start()
    ending.append(SimpleNamespace(close=forgetful.stop))
    put(journal, alert())
    ending.append(Follower(journal.path.parent, forgetful.port))
    lamp = Lamp(forgetful.port)
    ending.append(lamp)
    until(lambda: lamp.shining, 10, "it shines")
    lamp.close()
    forgetful.restart()
    late = Lamp(forgetful.port)
    ending.append(late)
    until(lambda: late.shining == {ONE: "alert-1:1"}, 30, "it shines again")


def test_broker_that_refuses_the_topic_is_told_in_words(journal, tmp_path, ending):
    rules = tmp_path / "acl"
    rules.write_text("topic readwrite elsewhere/#\n")
    strict = Mosquitto(tmp_path / "strict", QUEUES + f"acl_file {rules}\n")
    strict.start()
    ending.append(SimpleNamespace(close=strict.stop))
    put(journal, alert())
    folder = journal.path.parent
    ending.append(Follower(folder, strict.port))
    until(lambda: topic_state(folder) and topic_state(folder)[1], 20, "the trouble is shown")
    assert "allow condmon to" in topic_state(folder)[1]
    assert TOPIC in topic_state(folder)[1]


def test_no_broker_is_told_in_words_and_costs_nothing_else(journal, tmp_path, ending):
    folder = journal.path.parent
    ending.append(Follower(folder, 1))
    until(lambda: topic_state(folder) is not None, 10, "the trouble is shown")
    assert "nobody listens at 127.0.0.1:1" in topic_state(folder)[1]


def test_broker_behind_tls_and_a_password_is_told_of_once_the_password_is_right(
    journal, tmp_path, ending
):
    words, secret, folder = tmp_path / "passwords", tmp_path / "secret", journal.path.parent
    words.touch(mode=0o600)
    subprocess.run(["mosquitto_passwd", "-b", str(words), "condmon", "right"], check=True,
                   capture_output=True)  # fmt: skip
    paper = certificate(tmp_path)
    text = QUEUES.replace("allow_anonymous true", f"allow_anonymous false\npassword_file {words}")
    broker = Mosquitto(tmp_path / "tls", text, f"certfile {paper}\nkeyfile {paper}").start()
    ending.append(SimpleNamespace(close=broker.stop))
    put(journal, alert())
    secret.write_text("wrong-word")
    how = {"tls": True, "ca_file": tmp_path / "cert.pem", "username": "condmon"}
    first = Follower(folder, broker.port, password_file=secret, **how)
    until(lambda: topic_state(folder) and topic_state(folder)[1], 20, "the trouble is shown")
    first.stop()
    assert "the broker refused our user or password" in topic_state(folder)[1]
    assert "wrong-word" not in topic_state(folder)[1]
    secret.write_text("right")
    ending.append(Follower(folder, broker.port, password_file=secret, **how))
    until(lambda: topic_state(folder)[1] == "", 20, "it is in order")
