"""The buffered socket: whole packets only, the same bytes in the same order, however they come."""

import socket

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt import client as paho
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from condmon.mqtt.bufferedsocket import BufferedSocket
from condmon.mqtt.publishes import Publish, packet_span, plain_publishes

PINGRESP = b"\xd0\x00"
ENDLESS = b"\x30\xff\xff\xff\xff\xff"  # a length that never ends


def length(count: int) -> bytes:
    """Variable byte integer, MQTT 5.0 section 1.5.5."""
    out = b""
    while True:
        count, digit = divmod(count, 128)
        out += bytes([digit | (128 if count else 0)])
        if not count:
            return out


def publish(topic: bytes, payload: bytes, *, qos=1, mid=7, flags=0, properties=b"\x00") -> bytes:
    body = len(topic).to_bytes(2, "big") + topic + (mid.to_bytes(2, "big") if qos else b"")
    body += properties + payload
    return bytes([0x30 | qos << 1 | flags]) + length(len(body)) + body


def expiry() -> bytes:
    asked = Properties(PacketTypes.PUBLISH)
    asked.MessageExpiryInterval = 60
    return asked.pack()


@st.composite
def packets(draw) -> bytes:
    topic = draw(
        st.one_of(st.text("aö/°+€", min_size=1, max_size=9).map(str.encode), st.binary(max_size=5))
    )
    return draw(
        st.one_of(
            st.builds(
                publish,
                st.just(topic),
                st.binary(max_size=300),
                qos=st.integers(0, 1),
                mid=st.integers(0, 65535),
                flags=st.sampled_from([0, 1, 8, 9]),
                properties=st.sampled_from([b"\x00", b"\x00", b"\x00", expiry()]),
            ),
            st.just(PINGRESP),
        )
    )


class Library:
    """What the MQTT library makes of a stream, with the plain packets read past it or not."""

    def __init__(self, stream: bytes, cuts: list[int], *, past: bool) -> None:
        self.seen: list[tuple[bytes, bytes, int, bool]] = []
        self._client = paho.Client(
            paho.CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5, manual_ack=True
        )
        self._client.on_message = self._on_message
        near, far = socket.socketpair()
        with near, far:
            near.setblocking(False)
            buffered = BufferedSocket(near)
            self._client._sock = buffered
            for start, stop in zip([0, *cuts], [*cuts, len(stream)], strict=True):
                far.sendall(stream[start:stop])
                self._read(buffered, past=past)
            self._client._sock = None

    def _read(self, buffered: BufferedSocket, *, past: bool) -> None:
        for _ in range(200):
            if self._client._packet_read() != paho.MQTT_ERR_SUCCESS:
                return
            for one in buffered.publishes(50, 1000) if past else []:
                self.seen.append((one.topic.encode(), one.payload, one.mid, one.retain))

    def _on_message(self, _client, _user, message) -> None:
        self.seen.append((message._topic, bytes(message.payload), message.mid, message.retain))


@given(st.lists(packets(), max_size=12), st.lists(st.integers(0, 2000), max_size=6))
def test_messages_past_the_library_are_those_that_it_reads_itself_in_the_same_order(sent, cuts):
    stream = b"".join(sent)
    places = sorted(cut for cut in cuts if cut < len(stream))
    by_library = Library(stream, places, past=False).seen
    assert Library(stream, places, past=True).seen == by_library
    if all(packet == PINGRESP for packet in sent):
        assert by_library == []


@given(
    st.lists(
        st.tuples(st.text("aö/°+€", min_size=1, max_size=5), st.binary(max_size=200)), max_size=20
    ),
    st.integers(0, 1),
)
def test_plain_packets_are_read_in_one_go(messages, qos):
    data = b"".join(publish(topic.encode(), said, qos=qos) for topic, said in messages)
    found, end = plain_publishes(data, 0, 100, 100)
    assert found == [Publish(t, said[:100], 7 * qos, False) for t, said in messages]
    assert end == len(data)


@pytest.mark.parametrize(
    "other",
    [
        pytest.param(PINGRESP, id="another kind of packet"),
        pytest.param(publish(b"a", b"1", qos=2), id="QoS 2"),
        pytest.param(publish(b"a", b"1", qos=3), id="a QoS that does not exist"),
        pytest.param(publish(b"a", b"1", properties=expiry()), id="properties"),
        pytest.param(publish(b"a", b"1", mid=0), id="QoS 1 without a packet id"),
        pytest.param(publish(b"", b"1"), id="no topic"),
        pytest.param(publish(b"\xff", b"1"), id="a topic that is not text"),
        pytest.param(b"\x30\x00", id="an empty packet"),
        pytest.param(b"\x30\x03\x00\x09a", id="a topic longer than the packet"),
        pytest.param(b"\x32\x03\x00\x01a", id="nothing behind the topic"),
        pytest.param(publish(b"a", b"1")[:-1], id="a packet that is not all there"),
        pytest.param(ENDLESS, id="a length without end"),
        pytest.param(b"", id="nothing"),
    ],
)
def test_what_is_not_plain_is_left_where_it_is(other):
    before = publish(b"spindle", b"2")
    found, end = plain_publishes(before + other, 0, 100, 100)
    assert (found, end) == ([Publish("spindle", b"2", 7, False)], len(before))


def test_no_more_than_wanted_is_read_and_the_retain_flag_is_seen():
    data = publish(b"a", b"1", flags=1) * 3
    found, end = plain_publishes(data, 0, 2, 100)
    assert (found, end) == ([Publish("a", b"1", 7, True)] * 2, len(data) * 2 // 3)


def test_span_of_a_packet_is_told_when_all_of_it_is_there():
    packet = publish(b"a", bytes(200_000))
    assert packet_span(packet, 0) == (4, len(packet))
    assert all(packet_span(packet[:cut], 0) is None for cut in (0, 1, 2, 3, 4, len(packet) - 1))
    assert packet_span(ENDLESS, 0) == (6, 6)
    assert packet_span(ENDLESS[:5], 0) is None


@given(st.lists(packets(), max_size=6), st.integers(1, 20), st.integers(1, 40))
def test_bytes_come_out_as_they_went_in_and_never_of_two_packets(sent, size, piece):
    stream = b"".join(sent)
    near, far = socket.socketpair()
    with near, far:
        near.setblocking(False)
        buffered = BufferedSocket(near)
        got, ends = b"", {0}
        for packet in sent:
            ends.add(max(ends) + len(packet))
        for start in range(0, len(stream), piece):
            far.sendall(stream[start : start + piece])
            while True:
                try:
                    part = buffered.recv(size)
                except BlockingIOError:
                    break
                assert 0 < len(part) <= size
                assert not any(len(got) < end < len(got) + len(part) for end in ends)
                got += part
            assert len(got) == max(end for end in ends if end <= start + piece)  # whole packets
        assert stream == got
        far.shutdown(socket.SHUT_WR)
        assert buffered.recv(size) == b""


def test_part_of_a_packet_is_nothing_yet_and_what_waits_is_counted():
    near, far = socket.socketpair()
    with near, far:
        buffered = BufferedSocket(near)
        buffered.setblocking(False)
        packet = publish(b"a", b"123")
        far.sendall(packet[:-1])
        with pytest.raises(BlockingIOError):
            buffered.recv(1)
        assert buffered.pending() == 0  # or the loop would turn without end
        far.sendall(packet[-1:] + PINGRESP)
        assert (packet[:2], len(packet) - 2) == (buffered.recv(2), buffered.pending())
        assert buffered.publishes(10, 100) == []  # the library is in the middle of one
        assert (packet[2:], len(PINGRESP)) == (buffered.recv(100), buffered.pending())
        assert (PINGRESP, 0) == (buffered.recv(2), buffered.pending())
        assert near.fileno() == buffered.fileno()
        assert 3 == buffered.send(b"xyz")
        assert b"xyz" == far.recv(10)
        far.sendall(PINGRESP * 2)
        buffered.recv(1)
        buffered.close()
        assert 0 == buffered.pending()
