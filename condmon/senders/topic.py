"""The alert topic: every alert that is active as a retained message on the broker, for lamps.

A mirror of the journal, not a queue: it makes what the broker keeps below the topic agree with the
alerts as they stand, also after a restart of either side. Below the topic stands
MACHINE/CHECK/ALERT. While an alert is active and nobody has silenced it, that topic holds one
CloudEvents 1.0 event (JSON, type condmon.alert.active, id ALERT:REVISION). When it is over, an
event condmon.alert.ended follows, not retained, and the topic is cleared. What is kept runs out an
hour after condmon was last there, so that nothing stale shines on.
"""

import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import orjson

from condmon import log
from condmon.clock import Clock
from condmon.config import Broker
from condmon.config.shape import AlertTopic
from condmon.engine.outputs import Alert
from condmon.errors import CondmonError, SendError, StoreError
from condmon.mqtt.linkwords import Ending, Pauses, cannot_connect
from condmon.senders.events import alert_facts, envelope, source
from condmon.senders.topicline import TopicLine
from condmon.senders.topicstate import put_topic_state
from condmon.senders.wire import secret
from condmon.senders.words import machine_word
from condmon.store.journal import Reader

_log = log.get("alert_topic")

LOOK_S = 0.25
SETTLE_S = 0.5  # after the last message of what the broker kept
REFRESH_S = 1200.0
EXPIRY_S = 3600
TROUBLE_S = 5.0
STATE_EVERY_S = 60.0
SPEAKS = {"active_unacknowledged", "active_acknowledged"}

Wanted = Mapping[str, tuple[str, bytes]]
"""Topic -> id of the event, event."""


class TopicFollower:
    """Keeps the alert topic as it should be.

    Parameters
    ----------
    topic : AlertTopic
        Where, and which urgencies.
    broker : Broker
        The broker condmon listens to; its own client id with "-alerts" behind it.
    site : str
        Who speaks.
    folder : Path
        The data folder, for the journal and for `alert-topic.json`, which says how it goes.
    clock : Clock
        Time.
    """

    def __init__(
        self, topic: AlertTopic, broker: Broker, site: str, folder: Path, clock: Clock
    ) -> None:
        self._topic, self._broker, self._site = topic, broker, site
        self._folder, self._clock = folder, clock
        self._state: tuple[str, float] | None = None  # trouble, when it was written
        self._trouble = ""

    def run(self, stop: threading.Event) -> None:
        """Follow until told to stop, whatever happens."""
        pauses = Pauses(f"{self._broker.client_id}-alerts")
        while not stop.is_set():
            began_s, pause_s = self._clock.monotonic_s(), TROUBLE_S
            try:
                ending, was_up = self._session(stop)
                lasted_s = self._clock.monotonic_s() - began_s
                ending, pause_s = pauses.judge(ending, lasted_s, was_up=was_up)
                reason = ending.words
            except StoreError as error:
                reason = str(error)
            except Exception as error:  # noqa: BLE001 - it must come back, whatever it was
                reason = log.fault_words(error)
            if not stop.is_set():
                self._tell(reason)
                stop.wait(pause_s)

    def _session(self, stop: threading.Event) -> tuple[Ending, bool]:
        """One connection from its first packet to its last; whether it ever stood."""
        broker = self._broker
        line = TopicLine(broker, self._topic.topic, self._clock)
        try:
            line.open(secret(broker.password_file) if broker.password_file else None)
        except (OSError, ValueError, SendError, CondmonError) as error:
            line.close()
            return cannot_connect(error, broker), False
        try:
            with _Alerts(self._folder) as reader:
                while not stop.is_set() and line.ending is None:
                    line.pump(LOOK_S)
                    if line.settled(SETTLE_S):
                        self._agree(line, reader)
            return line.ending or Ending("lost", "condmon leaves"), line.settled(0.0)
        finally:
            line.close()

    def _agree(self, line: TopicLine, reader: "_Alerts") -> None:
        """Publish what is missing, old or superfluous below the topic."""
        if line.under_way:
            return
        wanted = self._wanted(reader)
        for topic, (event_id, body) in wanted.items():
            kept = line.kept.get(topic)
            if kept is None or kept[0] != event_id or line.age_s(topic) > REFRESH_S:
                line.publish(topic, body, event_id, EXPIRY_S)
        for topic, (_, from_source) in list(line.kept.items()):
            if topic not in wanted and from_source == source(self._site):
                self._clear(line, topic, reader.alert(topic.rpartition("/")[2]))
        if not line.under_way:
            self._tell("")

    def _wanted(self, reader: "_Alerts") -> Wanted:
        out = {}
        for alert in reader.open_now():
            speaks = alert.ended_us is None and alert.state in SPEAKS
            if speaks and alert.urgency in self._topic.urgencies:
                event_id = f"{alert.id}:{alert.revision}"
                made = self._event(alert, event_id, "condmon.alert.active")
                out[f"{self._topic.topic}/{alert.machine}/{alert.check}/{alert.id}"] = made
        return out

    def _clear(self, line: TopicLine, topic: str, alert: Alert | None) -> None:
        """Say that it is over, if it is and not only silenced; then clear the topic."""
        if alert and alert.ended_us is not None:
            event_id = f"{alert.id}:ended"
            _, body = self._event(alert, event_id, "condmon.alert.ended")
            line.publish(topic, body, event_id, EXPIRY_S, retain=False)
        line.clear(topic)

    def _event(self, alert: Alert, event_id: str, type_: str) -> tuple[str, bytes]:
        at_us = alert.at_us if alert.ended_us is None else alert.ended_us
        made: dict[str, Any] = envelope(
            event_id, type_, self._site, f"{alert.machine}/{alert.check}", at_us
        )
        word = alert.urgency.upper() if alert.ended_us is None else "over"
        made["data"] = {
            "site": self._site,
            "urgency": alert.urgency,
            "title": f"{machine_word(alert)} {word}: {alert.title}",
            "alert": alert_facts(alert),
        }
        option = orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_SORT_KEYS
        return event_id, orjson.dumps(made, default=dict, option=option)

    def _tell(self, trouble: str) -> None:
        """Write down how it goes, at once when that changes and now and then otherwise."""
        if trouble != self._trouble:
            self._trouble = trouble
            if trouble:
                _log.warning(
                    "alert_topic_in_trouble",
                    reason=trouble,
                    meaning="lamps and buzzers on the alert topic may not show what is so",
                    do="see `condmon status`; it is tried again and again",
                )
            else:
                _log.info("alert_topic_agrees", topic=self._topic.topic)
        now_s = self._clock.monotonic_s()
        if self._state and self._state[0] == trouble and now_s - self._state[1] < STATE_EVERY_S:
            return
        self._state = (trouble, now_s)
        try:
            put_topic_state(self._folder, self._clock.now_us(), trouble)
        except OSError:  # the writers of the store tell of the disk
            self._state = None


class _Alerts(Reader):
    """The open alerts, read anew only when something was written."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self._version, self._found = -1, list[Alert]()

    def open_now(self) -> list[Alert]:
        """Open alerts as they stand."""
        version = int(self._rows("PRAGMA data_version")[0][0])
        if version != self._version:
            self._version, self._found = version, self.alerts(open_only=True)
        return self._found
