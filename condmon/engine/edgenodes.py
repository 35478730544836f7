"""Sparkplug edge nodes: births, deaths and sequence numbers; messages into rows. Pure.

Follows the Sparkplug 3.0.0 specification, chapters 4 and 5, as a subscriber that never sends: it
cannot ask for a rebirth, so what no birth explains is left out, counted and told, never guessed.
"""

from collections.abc import Iterable
from typing import Any, NamedTuple

from condmon.engine.lanes import Lane, Row
from condmon.engine.records import GOOD, HISTORICAL, NO_TIME, SECOND_US, SUSPECT, Gap
from condmon.engine.settings import Signal
from condmon.engine.sparkplug import (
    NO_SCALAR,
    QUALITY_BAD,
    QUALITY_GOOD,
    UNKNOWN_TYPE,
    Metric,
    Payload,
    payload,
    value,
)
from condmon.engine.timetext import ZoneOffset, instant
from condmon.engine.values import (
    CALLED_BAD,
    DOUBTED,
    NO_VALUE,
    NOT_A_NUMBER,
    NOT_TO_BE_STORED,
    NOTHING_THERE,
    UNREADABLE,
    Value,
)
from condmon.engine.wire import WireError

NAMESPACE = "spBv1.0"
TELL_LOST_US = 60 * SECOND_US
"""Lost messages of a node are told once a minute, with their number."""
OUT_OF_ORDER = 128
"""A sequence number that lags by less than half a round is an old message, not a new hole."""


def topic_of(address: str) -> str:
    """Make the topic that carries the values of "group/node" or "group/node/device"."""
    group, node, *device = address.split("/")
    return "/".join([NAMESPACE, group, "DDATA" if device else "NDATA", node, *device])


def filters(signals: Iterable[Signal]) -> list[str]:
    """Give the topic filters to subscribe to, each once, for all signals of a configuration.

    Of a Sparkplug node everything is listened to, because births, deaths and the numbers that
    show what was lost are spread over all its topics.
    """
    found: dict[str, None] = {}
    for signal in signals:
        if signal.payload.metric is not None:
            _, group, _, node, *_ = signal.topic.split("/")
            found[f"{NAMESPACE}/{group}/+/{node}/#"] = None
        elif signal.topic:
            found[signal.topic] = None
    return list(found)


class Heard(NamedTuple):
    """What came of one message."""

    rows: list[tuple[Row, bytes]]  # with what is told of a row should it be refused
    gaps: list[Gap]


class _Birth(NamedTuple):
    """What a birth message said of one device: names and types."""

    types: dict[str, int]
    names: dict[int, str]  # by alias


class EdgeNodes:
    """All nodes that a configuration reads. Carries what their last births said."""

    def __init__(self, signals: Iterable[Signal], zone: ZoneOffset | None) -> None:
        self._nodes: dict[str, _Node] = {}
        self.changed = False
        for signal in signals:
            if signal.payload.metric is None:
                continue
            _, group, _, node, *device = signal.topic.split("/")
            name = f"{group}/{node}"
            self._nodes.setdefault(name, _Node(name)).add(signal, "/".join(device), zone)

    def hear(self, arrived_us: int, topic: str, message: bytes, mark: int, bytes_max: int) -> Heard:
        """Read one message; nothing comes of one of a node that nobody configured."""
        _, group, kind, name, *device = topic.split("/")
        node = self._nodes[f"{group}/{name}"]
        heard = node.hear(arrived_us, kind, "/".join(device), message, mark, bytes_max)
        self.changed |= node.changed
        node.changed = False
        return heard

    def reads(self, topic: str) -> bool:
        """Whether a topic is one of a configured node."""
        parts = topic.split("/", 4)
        return len(parts) >= 4 and parts[0] == NAMESPACE and f"{parts[1]}/{parts[3]}" in self._nodes

    def forget(self) -> None:
        """Forget all births: a birth or a death may have gone by unheard."""
        for node in self._nodes.values():
            node.forget()
        self.changed = True

    def state(self) -> dict[str, Any]:
        """Give the births as plain values, for a file; bounded by the size of birth messages."""
        self.changed = False
        return {name: node.state() for name, node in self._nodes.items()}

    def load(self, state: dict[str, Any]) -> None:
        """Take up kept births. Raises ValueError, TypeError or KeyError when they are none."""
        for name, kept in state.items():
            if name in self._nodes:
                self._nodes[name].load(kept)


class _Node:
    """One edge node with its devices; device "" is the node itself."""

    def __init__(self, name: str) -> None:
        self.changed = False
        self._name = name
        self._lanes: dict[str, dict[str, list[Lane]]] = {}  # device -> metric -> lanes
        self._machines: dict[str, None] = {}
        self._births: dict[str, _Birth] = {}
        self._death: int | None = None  # the number that a death of this session carries
        self._dead = False
        self._next_seq: int | None = None
        self._heard_us = 0
        self._lost, self._lost_from_us, self._lost_told_us = 0, 0, -TELL_LOST_US
        self._unexplained, self._unexplained_us = 0, 0

    def add(self, signal: Signal, device: str, zone: ZoneOffset | None) -> None:
        """Read one more metric."""
        assert signal.payload.metric is not None
        lanes = self._lanes.setdefault(device, {}).setdefault(signal.payload.metric, [])
        lanes.append(Lane(signal, zone))
        self._machines[signal.machine] = None

    def hear(
        self, at_us: int, kind: str, device: str, message: bytes, mark: int, bytes_max: int
    ) -> Heard:
        """Read one message of this node or of one of its devices."""
        heard = Heard([], [])
        if kind not in {"NBIRTH", "NDATA", "NDEATH", "DBIRTH", "DDATA", "DDEATH"}:
            return heard  # commands to the node are none of our business
        try:
            if len(message) > bytes_max:
                raise WireError("too large")
            said = payload(message)
        except WireError:
            self._refuse(at_us, device, message, mark, heard)
            return heard
        if kind == "NDEATH":
            self._node_dies(at_us, said, heard)
            return heard
        if kind == "NBIRTH":
            self._births.clear()
            self._next_seq, self._dead = None, False
            self._death = next((_number(m) for m in said.metrics if m.name == "bdSeq"), None)
        self._count(at_us, said.seq, heard)
        if kind == "DDEATH":
            self._births.pop(device, None)
            self.changed = True
            self._silence(at_us, [device], heard)
        elif device in self._lanes or not device:
            if kind.endswith("BIRTH"):
                self._take_birth(at_us, device, said, heard)
            self._values(at_us, device, said, mark, heard, birth=kind.endswith("BIRTH"))
        return heard

    def _take_birth(self, at_us: int, device: str, said: Payload, heard: Heard) -> None:
        birth = _Birth({}, {})
        for metric in said.metrics:
            if metric.name is None:
                continue
            birth.types[metric.name] = metric.type or 0
            if metric.alias is not None:
                birth.names[metric.alias] = metric.name
        self._births[device] = birth
        self.changed = True
        if self._unexplained:
            reason = (
                f"the Sparkplug node {self._name} has sent a birth message again; until then "
                f"{self._unexplained} of its values could not be told apart and were left out"
            )
            self._tell(at_us, self._unexplained_us, reason, 0, heard)
            self._unexplained = 0

    def _node_dies(self, at_us: int, said: Payload, heard: Heard) -> None:
        """Believe a death only of the session that is on, and only once."""
        number = next((_number(m) for m in said.metrics if m.name == "bdSeq"), None)
        if self._dead or (self._death is not None and number != self._death):
            return
        self.forget()
        self._dead, self.changed = True, True
        self._silence(at_us, self._lanes, heard)

    def forget(self) -> None:
        """Forget what births said."""
        self._births.clear()
        self._death = self._next_seq = None
        self._dead = False

    def _silence(self, at_us: int, devices: Iterable[str], heard: Heard) -> None:
        for device in devices:
            for lanes in self._lanes.get(device, {}).values():
                for lane in lanes:
                    heard.rows.append((lane.row(NO_VALUE, at_us, NO_TIME, 0), b""))

    def _refuse(self, at_us: int, device: str, message: bytes, mark: int, heard: Heard) -> None:
        for lanes in self._lanes.get(device, {}).values():
            for lane in lanes:
                heard.rows.append((lane.row(UNREADABLE, at_us, NO_TIME, mark), message[:64]))

    def _count(self, at_us: int, seq: int | None, heard: Heard) -> None:
        """Follow the sequence number, which counts the messages of the node and its devices."""
        before_us, self._heard_us = self._heard_us, at_us
        if seq is None or not 0 <= seq <= 255:
            return
        expected, missing = self._next_seq, 0
        if expected is not None:
            missing = (seq - expected) % 256
            if missing >= OUT_OF_ORDER:
                return
        self._next_seq = (seq + 1) % 256
        if missing:
            self._lost_from_us = self._lost_from_us if self._lost else before_us
            self._lost += missing
        if self._lost and at_us - self._lost_told_us >= TELL_LOST_US:
            reason = f"messages of the Sparkplug node {self._name} are missing"
            self._tell(at_us, self._lost_from_us, reason, self._lost, heard)
            self._lost, self._lost_told_us = 0, at_us

    def _values(
        self, at_us: int, device: str, said: Payload, mark: int, heard: Heard, *, birth: bool
    ) -> None:
        known = self._births.get(device)
        mine = self._lanes.get(device, {})
        unexplained = 0
        for metric in said.metrics:
            name = metric.name
            if name is None and known and metric.alias is not None:
                name = known.names.get(metric.alias)
            if name is None:
                unexplained += 1
                continue
            if name not in mine:
                continue
            given = value(metric, known.types.get(name) if known else None)
            if given is UNKNOWN_TYPE and not metric.null:
                unexplained += 1
                continue
            at_ms = said.at_ms if birth and not metric.historical else metric.at_ms or said.at_ms
            own_us, noticed = _instant(at_ms, at_us)
            noticed |= mark | (HISTORICAL if metric.historical else 0)
            for lane in mine[name]:
                for row in _rows(lane, metric, given, at_us, own_us, noticed):
                    heard.rows.append((row, name.encode()[:64]))
        if unexplained and mine:
            self._tell_unexplained(at_us, unexplained, heard)

    def _tell_unexplained(self, at_us: int, number: int, heard: Heard) -> None:
        if not self._unexplained:
            self._unexplained_us = at_us
            reason = (
                f"the Sparkplug node {self._name} sends values that no birth message explains; "
                "they are left out until its next birth, which comes when the node is restarted "
                "or asked for one"
            )
            self._tell(at_us, at_us, reason, 0, heard)
        self._unexplained += number

    def _tell(self, at_us: int, from_us: int, reason: str, lost: int, heard: Heard) -> None:
        for machine in self._machines:
            heard.gaps.append(Gap(at_us, from_us or at_us, at_us, reason, lost, machine))

    def state(self) -> dict[str, Any]:
        """Give the births as plain values."""
        births = {
            device: [birth.types, [[alias, name] for alias, name in birth.names.items()]]
            for device, birth in self._births.items()
        }
        return {"death": self._death, "dead": self._dead, "births": births}

    def load(self, kept: dict[str, Any]) -> None:
        """Take up kept births."""
        births = {
            str(device): _Birth(
                {str(name): int(kind) for name, kind in types.items()},
                {int(alias): str(name) for alias, name in names},
            )
            for device, (types, names) in kept["births"].items()
        }
        death = kept["death"]
        self._death = None if death is None else int(death)
        self._dead = bool(kept["dead"])
        self._births = births


def _rows(
    lane: Lane, metric: Metric, given: object, at_us: int, own_us: int, mark: int
) -> list[Row]:
    found: Value
    if metric.null:
        found = NO_VALUE
    elif metric.transient:
        found = NOT_TO_BE_STORED  # the recording keeps all that is watched, so it is not watched
    elif metric.quality == QUALITY_BAD:
        found = CALLED_BAD
    elif given is None:
        found = NOTHING_THERE
    elif given is NO_SCALAR:
        found = NOT_A_NUMBER
    else:
        rows = lane.rows_of(given, at_us, own_us, mark)
        doubted = metric.quality not in {None, QUALITY_GOOD}
        return [_doubted(row) for row in rows] if doubted else rows
    return [lane.row(found, at_us, own_us, mark)]


def _doubted(row: Row) -> Row:
    signal, arrived_us, own_us, number, quality, mark, _ = row
    if quality != GOOD:
        return row
    return (signal, arrived_us, own_us, number, SUSPECT, mark, DOUBTED)


def _instant(at_ms: int | None, arrived_us: int) -> tuple[int, int]:
    return (NO_TIME, 0) if at_ms is None else instant(at_ms, arrived_us)


def _number(metric: Metric) -> int | None:
    found = value(metric, metric.type or 4)
    return found if isinstance(found, int) else None
