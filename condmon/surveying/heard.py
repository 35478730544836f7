"""What was heard: every message put to the source it belongs to, a topic and a place in it. Pure.

Nothing here raises, whatever a payload holds; what is too much is left out, and that is told.
"""

import re
from dataclasses import dataclass, field

from condmon.engine.condition import ConditionReader
from condmon.engine.decode import Arrived
from condmon.engine.edgenodes import NAMESPACE
from condmon.engine.payloads import UNPARSED, parse
from condmon.engine.records import GOOD, NO_TIME
from condmon.engine.settings import Signal
from condmon.engine.sparkplug import Metric, Payload, payload, value
from condmon.engine.units import find
from condmon.engine.values import NO_VALUE_WORDS, text_of
from condmon.engine.wire import WireError
from condmon.surveying.places import ROOT, Leaf, Place, leaves
from condmon.surveying.track import Track

TOPICS_MAX = 5000
SOURCES_MAX = 5000
DEVICES_MAX = 500
PAYLOAD_BYTES_MAX = 1 << 20
_READING = re.compile(
    r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)(?:\s*(\D\S{0,11}))?"
)
_COMMA = re.compile(r"([+-]?[0-9]+),([0-9]+)(?:\s*\D\S{0,11})?")
_JSON_STARTS = (b"{", b"[", b'"')
_CONDITION = frozenset({"normal", "warning", "fault"})
_CONDITIONS = ConditionReader(
    Signal(0, "", "", "", "state", words_on=("fault", "warning"), words_off=("normal",))
)
_SPARKPLUG_VALUES = frozenset({"NBIRTH", "DBIRTH", "NDATA", "DDATA"})


@dataclass(frozen=True, slots=True)
class Source:
    """One thing that may be a signal: a topic and a place in it, or a metric of a device.

    Where the time stands is no part of it: that is in `Track.beside`.
    """

    topic: str
    form: str  # text, json, condition, sparkplug
    place: Place = ROOT
    metric: str = ""


@dataclass(slots=True)
class Topic:
    """What was noticed of a topic as a whole."""

    messages: int = 0
    unreadable: int = 0  # neither text nor JSON
    lengths: set[int] = field(default_factory=set)
    commas: int = 0
    empty: int = 0
    listless: int = 0  # arrays of numbers without a time between them


class Heard:
    """Everything that was heard so far."""

    def __init__(self) -> None:
        self.messages = 0
        self.first_us = self.last_us = NO_TIME
        self.left_out: set[str] = set()
        self.topics: dict[str, Topic] = {}
        self.tracks: dict[Source, Track] = {}
        self.unborn: dict[str, int] = {}  # Sparkplug device -> values that no birth explains
        self._devices: set[str] = set()
        self._births: dict[str, tuple[dict[int, str], dict[str, int]]] = {}

    def hear(self, message: Arrived) -> None:
        """Take one message."""
        arrived_us, name, content, retained = message
        if name.startswith("$"):
            return
        self.messages += 1
        self.first_us = arrived_us if self.first_us == NO_TIME else min(self.first_us, arrived_us)
        self.last_us = max(self.last_us, arrived_us)
        if name.startswith(f"{NAMESPACE}/"):
            self._sparkplug(arrived_us, name, content)
            return
        if name not in self.topics and len(self.topics) >= TOPICS_MAX:
            if len(self.left_out) < TOPICS_MAX:
                self.left_out.add(name)
            return
        topic = self.topics.setdefault(name, Topic())
        topic.messages += 1
        if len(content) > PAYLOAD_BYTES_MAX:
            topic.unreadable += 1
        elif not content.strip(b"\0 \t\r\n"):
            topic.empty += 1
        elif content.lstrip(b" \t\r\n\xef\xbb\xbf").startswith(_JSON_STARTS):
            self._json(name, topic, arrived_us, content, retained=retained)
        else:
            self._text(name, topic, arrived_us, content, retained=retained)

    def _track(self, source: Source) -> Track | None:
        track = self.tracks.get(source)
        if track is None and len(self.tracks) < SOURCES_MAX:
            track = self.tracks[source] = Track()
        elif track is None and len(self.left_out) < TOPICS_MAX:
            self.left_out.add(source.topic)
        return track

    def _json(self, name: str, topic: Topic, at_us: int, content: bytes, *, retained: bool) -> None:
        document = parse(content)
        if document is UNPARSED:
            self._text(name, topic, at_us, content, retained=retained)
            return
        if isinstance(document, list) and document and not isinstance(document[0], dict):
            topic.listless += 1
            return
        for leaf in leaves(document, at_us):
            if isinstance(leaf.given, list) and leaf.place.dt is None:
                topic.listless += 1
                continue
            place = leaf.place._replace(time=None, dt=None)  # not what makes a value another one
            self._leaf(Source(name, "json", place), leaf, at_us, retained=retained)

    def _leaf(self, source: Source, leaf: Leaf, at_us: int, *, retained: bool) -> None:
        track = self._track(source)
        if track is None:
            return
        given, unit = leaf.given, leaf.unit
        if isinstance(given, str):
            found = _READING.fullmatch(given.strip())
            if found:
                given, unit = float(found[1]), found[2] or unit
        if unit is not None:
            track.unit(find(unit) or unit[:40])
        track.beside[leaf.place.time, leaf.place.dt] += 1
        track.take(given, at_us, leaf.own_us, retained=retained)

    def _text(self, name: str, topic: Topic, at_us: int, content: bytes, *, retained: bool) -> None:
        text = text_of(content)
        if text is None or not text.isprintable():
            topic.unreadable += 1
            if len(topic.lengths) < 20:
                topic.lengths.add(len(content))
            return
        comma = _COMMA.fullmatch(text)
        if comma and len(comma[2]) != 3:
            topic.commas += 1
            text = text.replace(",", ".", 1)
        found = _READING.fullmatch(text)
        form = "text"
        if not found and ("|" in text or text.casefold() in _CONDITION):
            said = _CONDITIONS.read(content)
            if said.value[1] == GOOD:
                form, text = "condition", said.level
        track = self._track(Source(name, form))
        if track is None:
            return
        given: object = text
        if found:
            given = float(found[1])
            if found[2]:
                track.unit(find(found[2]) or found[2])
        elif text.casefold() in NO_VALUE_WORDS or text.casefold() in {"nan", "inf", "-inf"}:
            given = None
        track.take(given, at_us, NO_TIME, retained=retained)

    def _sparkplug(self, at_us: int, name: str, content: bytes) -> None:
        _, *parts = name.split("/")
        if len(parts) < 3 or parts[1] not in _SPARKPLUG_VALUES:
            return
        group, kind, *device = parts
        address = "/".join([group, *device])
        if address not in self._devices and len(self._devices) >= DEVICES_MAX:
            return
        self._devices.add(address)
        try:
            said = payload(content)
        except WireError:
            topic = self.topics.setdefault(name, Topic())
            topic.messages += 1
            topic.unreadable += 1
            return
        if kind.endswith("BIRTH"):
            self._births[address] = (
                {m.alias: m.name for m in said.metrics if m.name and m.alias is not None},
                {m.name: m.type or 0 for m in said.metrics if m.name},
            )
        self._metrics(at_us, address, said)

    def _metrics(self, at_us: int, address: str, said: Payload) -> None:
        names, types = self._births.get(address, ({}, {}))
        for metric in said.metrics:
            name = metric.name
            if name is None and metric.alias is not None:
                name = names.get(metric.alias)
            if name is None:
                self.unborn[address] = self.unborn.get(address, 0) + 1
            elif name != "bdSeq" and not name.startswith(("Node Control/", "Device Control/")):
                self._metric(at_us, Source(address, "sparkplug", metric=name), metric, said,
                             types.get(name))  # fmt: skip

    def _metric(
        self, at_us: int, source: Source, metric: Metric, said: Payload, kind: int | None
    ) -> None:
        track = self._track(source)
        if track is None:
            return
        given = value(metric, kind)
        if not isinstance(given, bool | int | float | str | list):
            given = None
        own_ms = metric.at_ms or said.at_ms
        track.take(given, at_us, NO_TIME if own_ms is None else own_ms * 1000, retained=False)
