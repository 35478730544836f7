"""PUBLISH packets read straight from the bytes of a connection: many at once, the plain ones only.

The MQTT library makes half a dozen objects of every packet, most of them for properties that hardly
any publisher sends. In a backlog that is the greater part of all the work of a message, so what
has come in together is read here; everything that is not plain is left to the library. Layout of
packets: MQTT 5.0 (OASIS Standard, 2019), sections 2.1.4 and 3.3.
"""

from typing import NamedTuple

_PUBLISH = 3
_HEADER_BYTES = 6  # type, and a length that goes on beyond its four bytes: enough to see the fault


class Publish(NamedTuple):
    """A message as it stands in its packet; `mid` is 0 where QoS 0 has none."""

    topic: str
    payload: bytes
    mid: int
    retain: bool


def packet_span(data: bytes | bytearray, at: int) -> tuple[int, int] | None:
    """Where the body of the packet at a place begins and ends; None while not all of it is there.

    A length of more than four bytes is no length: then the span is of the faulty bytes.
    """
    length, shift = 0, 0
    for place in range(at + 1, min(at + 5, len(data))):
        byte = data[place]
        length |= (byte & 127) << shift
        if byte < 128:
            end = place + 1 + length
            return (place + 1, end) if end <= len(data) else None
        shift += 7
    whole = len(data) - at >= _HEADER_BYTES
    return (at + _HEADER_BYTES, at + _HEADER_BYTES) if whole else None


def plain_publishes(data: bytes, at: int, most: int, kept: int) -> tuple[list[Publish], int]:
    """Messages of the plain PUBLISH packets from a place on, and where the first other one begins.

    Plain: whole, QoS 0 or 1, a topic in UTF-8, no properties.

    Parameters
    ----------
    data : bytes
        What came from the broker.
    at : int
        Where a packet begins in it.
    most : int
        Most messages to read.
    kept : int
        Most bytes of a payload that anybody wants; the rest is cut off.
    """
    found: list[Publish] = []
    while len(found) < most and (span := packet_span(data, at)) is not None:
        message = _plain(data[at], data, *span, kept)
        if message is None:
            break
        found.append(message)
        at = span[1]
    return found, at


def _plain(first: int, data: bytes, start: int, end: int, kept: int) -> Publish | None:
    """The message of one packet of type and flags `first`; None where it is not plain."""
    qos = first >> 1 & 3
    if first >> 4 != _PUBLISH or qos > 1 or end - start < 2:
        return None
    topic_end = start + 2 + (data[start] << 8 | data[start + 1])
    properties = topic_end + 2 * qos  # after the packet id
    if properties >= end or data[properties] or topic_end == start + 2:
        return None
    mid = data[topic_end] << 8 | data[topic_end + 1] if qos else 0
    if qos and not mid:
        return None
    try:
        topic = data[start + 2 : topic_end].decode()
    except UnicodeDecodeError:
        return None
    payload = data[properties + 1 : min(end, properties + 1 + kept)]
    return Publish(topic, payload, mid, bool(first & 1))
