"""Recordings: the raw stream as JSON lines, one message a line, read into records and written.

`{"at": seconds or RFC 3339, "topic": "...", "payload": "..." | "payload_b64": "...", "qos": 1,
"retain": false}`
"""

import base64
import binascii
import gzip
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import orjson

from condmon.capture.files import CutOffError, Notes, Opened
from condmon.engine.decode import Arrived, Decoder
from condmon.engine.records import NO_TIME, SECOND_US, Batch, Beacon, Record
from condmon.engine.timetext import EARLIEST_US, LATEST_US, instant
from condmon.errors import UsageError

BATCH_MESSAGES = 20_000
LINE_BYTES_MAX = 4 << 20


class Recording:
    """A recording being read.

    Time passes by the lines' arrival: a beacon goes before the first line of every new second, so
    that nothing is known earlier than it was when it was recorded. Where no line arrived for long
    the beacons leave a hole, and the engine says that nobody was watching.
    """

    def __init__(self, opened: Opened, decoder: Decoder) -> None:
        self.opened = opened
        self._decoder = decoder
        self.first_us = self._first()

    def _first(self) -> int:
        try:
            for _, line in lines(self.opened):
                message = parse(line)
                if isinstance(message, Arrived):
                    return message.arrived_us
        except CutOffError:
            pass
        raise UsageError(
            f"{self.opened.path}: no line of it is a message; a line of a recording looks like "
            '{"at": 1763964000.5, "topic": "a/b", "payload": "21.5"}'
        )

    def batches(self, notes: Notes) -> Iterator[Batch]:
        """Read the file from its start; lines that are no messages are counted and named."""
        records: list[Record] = []
        pending: list[Arrived] = []
        count = 0
        newest_us = beacon_us = self.first_us  # no beacon before the first message of all
        for message in self._messages(notes):
            at_us = message.arrived_us
            if at_us >= beacon_us + SECOND_US:
                records += self._decoder.decode(pending)
                pending = []
                if newest_us > beacon_us:
                    records.append(Beacon(newest_us))
                records.append(Beacon(at_us))
                newest_us = beacon_us = at_us
                if count >= BATCH_MESSAGES:
                    yield records
                    records, count = [], 0
            pending.append(message)
            count += 1
            newest_us = max(newest_us, at_us)
            notes.last_us = max(newest_us, notes.last_us or newest_us)
        yield [*records, *self._decoder.decode(pending), Beacon(newest_us)]

    def _messages(self, notes: Notes) -> Iterator[Arrived]:
        path, number, torn = self.opened.path, 0, b""
        why = ""
        try:
            for number, line in lines(self.opened):
                message = parse(line)
                if isinstance(message, Arrived):
                    yield message
                elif line.endswith(b"\n") or not line.strip():
                    notes.bad_line(path, number, message)
                else:
                    torn = line
        except CutOffError as error:
            why = f" ({error})"
        if torn or why:
            notes.cut = True
            notes.warn(
                f"{path}: the file was cut off{why} after line {number - bool(torn)}; "
                "what comes before was used"
            )


def lines(opened: Opened) -> Iterator[tuple[int, bytes]]:
    """Split into numbered lines with their ends, without blank ones; CutOffError as the file."""
    rest, number = b"", 0
    for chunk in opened.chunks():
        whole, end, tail = (rest + chunk).rpartition(b"\n")
        if not end:
            rest = tail
            if len(rest) > LINE_BYTES_MAX:
                raise CutOffError(f"line {number + 1} is longer than {LINE_BYTES_MAX} bytes")
            continue
        rest = tail
        for line in whole.split(b"\n"):
            number += 1
            if line.strip():
                yield number, line + end
    if rest.strip():
        yield number + 1, rest


def parse(line: bytes) -> Arrived | str:
    """Read the message of one line, or say why there is none."""
    try:
        row = orjson.loads(line.removeprefix(b"\xef\xbb\xbf"))
    except orjson.JSONDecodeError:
        return "not a line of JSON"
    if not isinstance(row, dict):
        return "not a JSON object"
    topic = row.get("topic")
    if not isinstance(topic, str) or not topic:
        return "has no topic"
    at_us = _instant(row.get("at"))
    if at_us is None:
        return f"at is neither seconds since 1970 nor an RFC 3339 time: {row.get('at')!r:.40}"
    payload = _payload(row)
    if payload is None:
        return "has neither a payload (text) nor a payload_b64 (base64)"
    return Arrived(at_us, topic, payload, row.get("retain") is True)


def _instant(at: object) -> int | None:
    if isinstance(at, str):
        at_us, _ = instant(at, 0)
        return None if at_us == NO_TIME else at_us
    if isinstance(at, bool) or not isinstance(at, int | float):
        return None
    if not EARLIEST_US < at * SECOND_US < LATEST_US:
        return None
    return round(at * SECOND_US)


def _payload(row: dict[str, Any]) -> bytes | None:
    text, packed = row.get("payload"), row.get("payload_b64")
    if isinstance(text, str):
        return text.encode()
    if not isinstance(packed, str):
        return None
    try:
        return base64.b64decode(packed, validate=True)
    except (binascii.Error, ValueError):
        return None


def write_recording(path: Path, rows: Iterable[Arrived | Mapping[str, Any]]) -> int:
    """Write messages as a recording, packed as the name says (.gz, .zst); give their number."""
    count = 0
    with path.open("wb") as raw:
        stream: Any = raw
        if path.suffix == ".gz":
            stream = gzip.GzipFile(fileobj=raw, mode="wb", mtime=0)
        elif path.suffix == ".zst":
            import pyarrow as pa

            stream = pa.CompressedOutputStream(pa.PythonFile(raw, "w"), "zstd")
        with stream:
            for row in rows:
                stream.write(line_of(row) if isinstance(row, Arrived) else _packed(row))
                count += 1
    return count


def line_of(message: Arrived, qos: int = 1) -> bytes:
    """Make the line of one message."""
    row: dict[str, Any] = {"at": message.arrived_us / SECOND_US, "topic": message.topic}
    try:
        row["payload"] = message.payload.decode()
    except UnicodeDecodeError:
        row["payload_b64"] = base64.b64encode(message.payload).decode()
    row |= {"qos": qos, "retain": message.retain}
    return _packed(row)


def _packed(row: Mapping[str, Any]) -> bytes:
    return orjson.dumps(dict(row), option=orjson.OPT_APPEND_NEWLINE)
