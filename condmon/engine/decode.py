"""Decode: MQTT messages in, records out. Pure; it never raises, whatever a payload holds.

A message gives one sample for every signal that reads its topic, or several for arrays. What
cannot be read becomes a sample with quality BAD, a reason and the first bytes of the payload.
Whether a number is plausible and whether a source's clock is right is judged later, in intake.
"""

import re
import unicodedata
from collections.abc import Sequence
from typing import NamedTuple

from condmon.engine.condition import TEXT_MAX
from condmon.engine.edgenodes import EdgeNodes
from condmon.engine.lanes import Lane, Row, Times
from condmon.engine.payloads import UNPARSED, parse
from condmon.engine.records import BAD, NO_TIME, NODATA, RETAINED, Gap, Record, Stray, samples
from condmon.engine.settings import Settings, Signal
from condmon.engine.timetext import ZoneOffset
from condmon.engine.values import NOTHING_THERE, TOO_LARGE, UNREADABLE

PAYLOAD_BYTES_MAX = 65_536
RAW_BYTES = 64
STRAYS_MAX = 200

_JSON_STARTS = frozenset(b'{["')
_BLANKS_AND_MARK = b" \t\r\n\xef\xbb\xbf"
_PARTS_OF_LOOKS = re.compile(r"[\s/_\-]+")


class Arrived(NamedTuple):
    """One MQTT message as it came; `retain` as the subscriber saw it."""

    arrived_us: int
    topic: str
    payload: bytes
    retain: bool = False


class Decoder:
    """Turns messages into records for one configuration.

    Parameters
    ----------
    settings : Settings
        Whose signals are looked for; topics match exactly or not at all.
    zone_offset_s : ZoneOffset or None
        The site's clock, for source times without a zone; None takes them as UTC.
    payload_bytes_max : int
        A larger payload is refused before it is looked into.

    Carries the unknown topics it has told of, at most `STRAYS_MAX`, and what the last births of
    Sparkplug nodes said; the latter the shell keeps through a restart.

    Attributes
    ----------
    nodes : EdgeNodes
        The Sparkplug nodes that are read.
    """

    def __init__(
        self,
        settings: Settings,
        zone_offset_s: ZoneOffset | None = None,
        payload_bytes_max: int = PAYLOAD_BYTES_MAX,
    ) -> None:
        self._topics: dict[str, _Topic] = {}
        grouped: dict[str, list[Signal]] = {}
        for signal in settings.signals:
            if signal.payload.metric is None:
                grouped.setdefault(signal.topic, []).append(signal)
        for topic, signals in grouped.items():
            lanes = [Lane(signal, zone_offset_s) for signal in signals]
            self._topics[topic] = _Topic(lanes, payload_bytes_max)
        self._strays = _Strays(self._topics)
        self._bytes_max = payload_bytes_max
        self.nodes = EdgeNodes(settings.signals, zone_offset_s)

    def decode(self, messages: Sequence[Arrived]) -> list[Record]:
        """Make records of messages, in their order: runs of samples with strays between them."""
        records: list[Record] = []
        rows: list[Row] = []
        raw: list[tuple[int, bytes]] = []
        for arrived_us, topic, payload, retain in messages:
            known = self._topics.get(topic)
            if known is not None:
                start = len(rows)
                known.read(arrived_us, payload, RETAINED if retain else 0, rows)
                raw += [
                    (row, payload[: TEXT_MAX if known.keeps_text else RAW_BYTES])
                    for row in range(start, len(rows))
                    if rows[row][4] == BAD or known.keeps_text
                ]
                continue
            events, more = self._not_plain(arrived_us, topic, payload, RETAINED if retain else 0)
            if events:  # they stand before the samples that follow them
                if rows:
                    records.append(samples(rows, tuple(raw)))
                    rows, raw = [], []
                records += events
            raw += [(len(rows) + n, text) for n, (row, text) in enumerate(more) if row[4] == BAD]
            rows += [row for row, _ in more]
        if rows:
            records.append(samples(rows, tuple(raw)))
        return records

    def _not_plain(
        self, arrived_us: int, topic: str, payload: bytes, mark: int
    ) -> tuple[Sequence[Gap | Stray], list[tuple[Row, bytes]]]:
        """Read a topic that no signal names: one of a Sparkplug node, or a stray."""
        if not self.nodes.reads(topic):
            stray = self._strays.hear(arrived_us, topic)
            return () if stray is None else (stray,), []
        heard = self.nodes.hear(arrived_us, topic, payload, mark, self._bytes_max)
        return heard.gaps, heard.rows


class _Topic:
    """All signals that read one topic."""

    def __init__(self, lanes: list[Lane], payload_bytes_max: int) -> None:
        self._lanes = lanes
        self._bytes_max = payload_bytes_max
        self.keeps_text = any(lane.keeps_text for lane in lanes)

    def read(self, arrived_us: int, payload: bytes, mark: int, rows: list[Row]) -> None:
        """Add the rows of one message to `rows`."""
        if len(payload) > self._bytes_max:
            rows += [lane.row(TOO_LARGE, arrived_us, NO_TIME, mark) for lane in self._lanes]
            return
        looks_json = bool(payload) and (
            payload[0] in _JSON_STARTS or payload.lstrip(_BLANKS_AND_MARK)[:1] in (b"{", b"[", b'"')
        )
        document: object = None
        parsed = False
        found = False
        missing: list[Lane] = []
        times: Times = {}
        for lane in self._lanes:
            if not lane.takes_json(looks_json):
                rows += lane.plain(payload, arrived_us, mark)
                found = True
                continue
            if not parsed:
                document, parsed = parse(payload), True
            if document is UNPARSED:
                value = lane.reader.of_bytes(payload)  # empty, or a word for "no value"
                value = value if value[1] == NODATA else UNREADABLE
                rows.append(lane.row(value, arrived_us, NO_TIME, mark))
                continue
            own = lane.rows(document, arrived_us, mark, times)
            if own is None:
                missing.append(lane)
            else:
                rows += own
                found = True
        if missing and not found:
            # one gateway message may carry only what changed: then the others say nothing
            rows += [lane.row(NOTHING_THERE, arrived_us, NO_TIME, mark) for lane in missing]


class _Strays:
    """Topics nobody configured: each told once, with the configured topic that looks alike."""

    def __init__(self, topics: dict[str, "_Topic"]) -> None:
        self._looks = {looks(topic): topic for topic in topics}
        self._heard: set[str] = set()
        self._full = False

    def hear(self, at_us: int, topic: str) -> Stray | None:
        """Give the record of a topic heard for the first time; topic "" once the list is full."""
        name = "$" if topic.startswith("$") else topic  # the broker's own count as one
        if name in self._heard or self._full:
            return None
        if len(self._heard) >= STRAYS_MAX:
            self._full = True
            return Stray(at_us, "")
        self._heard.add(name)
        return Stray(at_us, topic, "" if name == "$" else self._looks.get(looks(topic), ""))


def looks(topic: str) -> str:
    """Reduce a topic to its looks: no case, slashes, blanks, dashes, one Unicode form."""
    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", topic).casefold())
    return _PARTS_OF_LOOKS.sub("", folded)
