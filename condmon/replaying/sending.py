"""Messages of a recording or capture in the order of their time, as a broker would be sent them."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import orjson

from condmon import capture
from condmon.capture.files import CutOffError, open_file
from condmon.capture.recording import lines, parse
from condmon.clock import rfc3339
from condmon.engine.decode import Arrived
from condmon.engine.records import GOOD, SECOND_US, Samples
from condmon.engine.settings import Settings, Signal
from condmon.errors import UsageError

FORMS = {"auto", "text", "json"}


class Sent(NamedTuple):
    """One message to send and when, by the clock of the file."""

    at_us: int
    topic: str
    payload: bytes
    retain: bool


def of_recording(path: Path, notes: capture.Notes) -> Iterator[Sent]:
    """The messages of a recording as they were; lines that are none are counted and named."""
    opened = open_file(path)
    try:
        for number, line in lines(opened):
            message = parse(line)
            if isinstance(message, Arrived):
                notes.last_us, notes.bytes_read = message.arrived_us, opened.position()
                yield Sent(message.arrived_us, message.topic, message.payload, message.retain)
            else:
                notes.bad_line(path, number, message)
    except CutOffError as error:
        notes.cut = True
        notes.warn(f"{path}: the file was cut off ({error}); what comes before was sent")


def of_capture(
    batches: Iterable[Sequence[Any]], settings: Settings, told_us: Callable[[int], int],
    notes: capture.Notes, wanted: set[int],
) -> Iterator[Sent]:  # fmt: skip
    """The good samples of a capture, each on the topic of its signal, in the payload's own form.

    Signals that share a topic go together in one message, with what was last known of the others.
    `told_us` gives the time that is written into a payload which carries one; `wanted` are the
    signals that are sent.
    """
    signals = settings.signals
    by_topic: dict[str, list[Signal]] = {}
    for signal in signals:
        by_topic.setdefault(signal.topic, []).append(signal)
    able = {s.index for s in signals if s.index in wanted and _able(s)}
    for signal in signals:
        if signal.index in wanted - able:
            notes.warn(f"{signal.machine}/{signal.name}: its payloads cannot be made out of "
                       "numbers; it is left out")  # fmt: skip
    known: dict[int, float] = {}
    for run in (record for batch in batches for record in batch if isinstance(record, Samples)):
        waiting: tuple[int, str] | None = None
        columns = (run.arrived_us.tolist(), run.signal.tolist(), run.value.tolist(),
                   run.quality.tolist())  # fmt: skip
        for at_us, index, value, quality in zip(*columns, strict=True):
            if index not in able or quality != GOOD:
                continue
            key = (at_us, signals[index].topic)
            if waiting is not None and key != waiting:
                yield _message(*waiting, by_topic, known, told_us)
            waiting, known[index] = key, value
        if waiting is not None:
            yield _message(*waiting, by_topic, known, told_us)


def _able(signal: Signal) -> bool:
    p = signal.payload
    listed = p.each or p.dt or p.dt_s or p.where or signal.kind == "trace"
    return bool(signal.topic) and p.form in FORMS and not listed


def _message(
    at_us: int, topic: str, by_topic: dict[str, list[Signal]], known: dict[int, float],
    told_us: Callable[[int], int],
) -> Sent:  # fmt: skip
    row: dict[str, Any] = {}
    plain = b""
    for signal in by_topic[topic]:
        if signal.index not in known:
            continue
        value = _written(signal, known[signal.index])
        if signal.payload.value is None:
            plain = str(value).encode()
        else:
            _put(row, signal.payload.value, value)
            if signal.payload.time is not None:
                _put(row, signal.payload.time, rfc3339(told_us(at_us)))
    return Sent(at_us, topic, orjson.dumps(row) if row else plain, False)


def _written(signal: Signal, value: float) -> Any:
    """A value as its device would write it: the words of a state, numbers before any scale."""
    if signal.kind == "state":
        words = signal.words_on if value else signal.words_off
        return words[0] if words else ("1" if value else "0")
    value /= signal.payload.scale
    return int(value) if value.is_integer() and abs(value) < 2**53 else value


def _put(row: dict[str, Any], pointer: str, value: Any) -> None:
    """Put a value where an RFC 6901 pointer leads, making objects on the way."""
    names = [part.replace("~1", "/").replace("~0", "~") for part in pointer.split("/")[1:]]
    if not names or any(name.isdecimal() for name in names):
        raise UsageError(f'the payload at "{pointer}" is an array; only objects can be made')
    for name in names[:-1]:
        row = row.setdefault(name, {})
    row[names[-1]] = value


def shifted(now_us: int, first_us: int, speed: float) -> Callable[[int], int]:
    """The file's time carried to a beginning at `now_us`, passing as fast as it is sent."""
    return lambda at_us: now_us + round((at_us - first_us) / speed)


def seconds(at_us: int, first_us: int, speed: float) -> float:
    """When a message is due, in seconds after the first."""
    return (at_us - first_us) / SECOND_US / speed
