"""The example for the broker, really started: names, rights, TLS, and a session that waits."""

import os
import subprocess
from pathlib import Path
from threading import Event

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.brokers import Mosquitto, free_port
from tests.daemons import Daemon
from tests.shell.test_mqtt_secrets import papers
from tests.waiting import until

__all__ = ["papers"]
pytestmark = pytest.mark.broker
DEPLOY = Path(__file__).parents[2] / "deploy"
REFUSED = 135  # "not authorized" of MQTT 5


@pytest.fixture
def broker(tmp_path, papers):
    """The example as it stands, with other paths and with its lines for TLS switched on."""
    words, rights = tmp_path / "passwords", tmp_path / "condmon.acl"
    words.touch(mode=0o600)
    for name in ("condmon", "machine", "lamp"):
        subprocess.run(["mosquitto_passwd", "-b", str(words), name, f"{name}-secret"], check=True,
                       capture_output=True)  # fmt: skip
    rights.write_text((DEPLOY / "mosquitto.acl").read_text())
    rights.chmod(0o600)
    text = (DEPLOY / "mosquitto.conf").read_text()
    for here, there in (
        ("listener 1883", ""), ("#listener 8883", ""), ("/etc/mosquitto/passwords", str(words)),
        ("/etc/mosquitto/condmon.acl", str(rights)), ("\n#cafile", "\ncafile"),
        ("\n#certfile", "\ncertfile"), ("\n#keyfile", "\nkeyfile"),
        ("/etc/mosquitto/certs/broker.crt", f"{papers}/good.crt"),
        ("/etc/mosquitto/certs/", f"{papers}/"),
    ):  # fmt: skip
        assert here in text, here
        text = text.replace(here, there)
    made = Mosquitto(tmp_path / "broker", text.replace("{", "{{").replace("}", "}}")).start()
    yield made
    made.stop()


def test_it_goes_with_the_configuration_that_the_package_brings(tmp_path):
    """The package's own file sets a few things and reads those of a folder; some are taken once."""
    port, passwords, rights = free_port(), tmp_path / "passwords", tmp_path / "condmon.acl"
    subprocess.run(["mosquitto_passwd", "-b", "-c", str(passwords), "condmon", "x"], check=True,
                   capture_output=True)  # fmt: skip
    rights.write_text((DEPLOY / "mosquitto.acl").read_text())
    (tmp_path / "conf.d").mkdir()
    example = (DEPLOY / "mosquitto.conf").read_text()
    for here, there in (
        ("listener 1883", f"listener {port} 127.0.0.1"),
        ("/etc/mosquitto/passwords\n", f"{passwords}\n"),
        ("/etc/mosquitto/condmon.acl\n", f"{rights}\n"),
    ):
        example = example.replace(f"\n{here}", f"\n{there}").replace(
            f"_file {here}", f"_file {there}"
        )
    (tmp_path / "conf.d" / "condmon.conf").write_text(example)
    own = (f"pid_file {tmp_path}/pid", "persistence true", f"persistence_location {tmp_path}/",
           f"log_dest file {tmp_path}/log", f"include_dir {tmp_path}/conf.d")  # fmt: skip
    user = ["user root"] if os.geteuid() == 0 else []
    (tmp_path / "mosquitto.conf").write_text("\n".join([*own, *user]) + "\n")
    words = ["mosquitto", "-c", str(tmp_path / "mosquitto.conf")]
    where = {**os.environ, "PATH": os.environ["PATH"] + ":/usr/sbin"}
    with subprocess.Popen(words, text=True, stderr=subprocess.PIPE, env=where) as process:
        until(lambda: process.poll() is not None or (tmp_path / "pid").exists(), 10)
        process.terminate()
        said = process.communicate(timeout=10)[1]
    assert 0 == process.returncode, said
    assert "Error" not in said
    assert f"listen socket on port {port}" in (tmp_path / "log").read_text()


class Person:
    """A client by TLS; knows how the broker answered."""

    def __init__(self, broker: Mosquitto, papers: Path, name: str, secret: str = "") -> None:
        self.answers: dict[str, int] = {}
        self.heard: list[str] = []
        self._client = client = paho.Client(CallbackAPIVersion.VERSION2, f"test-{name}",
                                            protocol=MQTTProtocolVersion.MQTTv5)  # fmt: skip
        client.username_pw_set(name, secret or f"{name}-secret")
        client.tls_set(str(papers / "ca.crt"))
        client.on_connect = lambda *a: self._told("connect", a[3].value)
        client.on_publish = lambda *a: self._told("publish", a[3].value)
        client.on_subscribe = lambda *a: self._told("subscribe", a[3][0].value)
        client.on_message = lambda *a: self.heard.append(a[2].topic)
        client.connect("127.0.0.1", broker.port)
        client.loop_start()

    def _told(self, what: str, code: int) -> None:
        self.answers[what] = code

    def answer(self, what: str) -> int:
        until(lambda: what in self.answers, 10, f"an answer to {what}")
        return self.answers.pop(what)

    def publish(self, topic: str) -> int:
        self._client.publish(topic, "1", qos=1)
        return self.answer("publish")

    def subscribe(self, topic: str) -> int:
        self._client.subscribe(topic, qos=1)
        return self.answer("subscribe")

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def person(broker, papers):
    known: list[Person] = []

    def made(name: str, secret: str = "") -> Person:
        known.append(Person(broker, papers, name, secret))
        return known[-1]

    yield made
    for one in known:
        one.close()


@pytest.mark.parametrize(("name", "secret"), [("condmon", "wrong"), ("stranger", "x")])
def test_a_wrong_name_or_password_is_refused(person, name, secret):
    assert 0 != person(name, secret).answer("connect")


def test_each_name_may_do_its_own_and_nothing_else(person):
    condmon, machine, lamp = (person(name) for name in ("condmon", "machine", "lamp"))
    assert [0, 0, 0] == [one.answer("connect") for one in (condmon, machine, lamp)]
    for one, topic in ((condmon, "pier/#"), (lamp, "condmon/alerts/#"), (machine, "#")):
        one.subscribe(topic)  # mosquitto grants a filter and hands out only what may be read
    assert REFUSED == condmon.publish("pier/mill-1/power")
    assert REFUSED == machine.publish("condmon/alerts/x")
    assert REFUSED == lamp.publish("pier/mill-1/power")
    assert 0 == machine.publish("pier/mill-1/power")
    assert 0 == condmon.publish("condmon/alerts/mill-1/x")
    until(lambda: condmon.heard and lamp.heard, 10)
    assert (["pier/mill-1/power"], ["condmon/alerts/mill-1/x"], []) == (
        condmon.heard, lamp.heard, machine.heard,
    )  # fmt: skip


def test_nobody_gets_in_without_tls(broker):
    client = paho.Client(CallbackAPIVersion.VERSION2, "plain")
    client.username_pw_set("condmon", "condmon-secret")
    connected, ended = Event(), Event()
    client.on_connect = lambda *_: connected.set()
    client.on_disconnect = lambda *_: ended.set()
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    assert ended.wait(10)
    assert not connected.is_set()
    client.disconnect()
    client.loop_stop()


def test_condmon_works_with_it_and_finds_its_session_again(tmp_path, broker, papers):
    daemon = Daemon(tmp_path / "d", broker.url.replace("mqtt:", "mqtts:"))
    user = (f'\nusername = "condmon"\npassword_file = "broker.password"\n'
            f'ca_file = "{papers}/ca.crt"\n')  # fmt: skip
    secret = daemon.folder / "broker.password"
    secret.touch(mode=0o600)
    secret.write_text("condmon-secret\n")
    text = daemon.config.read_text().replace('client_id = "condmon-test"', user)
    daemon.config.write_text(text)
    daemon.start()
    daemon.until_logged('"session":"new"')
    assert 0 == daemon.stop()
    broker.restart()
    daemon.start()
    daemon.until_logged('"session":"resumed"')
    assert 0 == daemon.stop()
    assert "Traceback" not in daemon.errors()
