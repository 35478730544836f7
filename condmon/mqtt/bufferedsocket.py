"""A socket that is read in large pieces and handed out a packet at a time.

The MQTT library reads each packet in three small pieces, and every system call lets the turn's
thread take the interpreter away for milliseconds. With this in between, a backlog comes in about a
third faster beside a busy turn (measured with the parts of tests/bench/ingest.py). It hands out no
packet before the whole of it is there, so that what follows can be read by `publishes` instead.
"""

import socket
import ssl
from typing import Any

import paho.mqtt.client as paho

from condmon.mqtt.publishes import Publish, packet_span, plain_publishes

PIECE_BYTES = 64 * 1024


class BufferedSocket:
    """As much of a socket as the MQTT library uses; raises what the socket raises."""

    def __init__(self, sock: Any) -> None:
        self._sock: socket.socket | ssl.SSLSocket = sock
        self._piece = bytearray()
        self._at = 0
        self._end = 0  # of the packet that is being handed out

    def recv(self, size: int) -> bytes:
        """Up to `size` bytes of one packet; empty at the end of the stream."""
        while self._at >= self._end:
            span = packet_span(self._piece, self._at)
            if span is not None:
                self._end = span[1]
            elif not self._read():
                return b""
        start, self._at = self._at, min(self._at + size, self._end)
        return bytes(self._piece[start : self._at])

    def publishes(self, most: int, kept: int) -> list[Publish]:
        """Messages of plain packets that are here already, before anything else; see there."""
        if self._at < self._end:
            return []  # the library is in the middle of one
        found, read = plain_publishes(bytes(self._piece[self._at :]), 0, most, kept)
        self._at += read
        return found

    def pending(self) -> int:
        """Bytes that can be read although the system's socket may have none."""
        inner = self._sock.pending() if isinstance(self._sock, ssl.SSLSocket) else 0
        span = packet_span(self._piece, self._at)
        return max(self._end, span[1] if span else 0, self._at) - self._at + inner

    def _read(self) -> bool:
        """Take what the system's socket has; False at the end of the stream."""
        more = self._sock.recv(PIECE_BYTES)
        del self._piece[: self._at]
        self._piece += more
        self._at = self._end = 0
        return bool(more)

    def getpeercert(self) -> Any:
        """The certificate of the other end as a dict; None without TLS."""
        return self._sock.getpeercert() if isinstance(self._sock, ssl.SSLSocket) else None

    def send(self, data: bytes) -> int:
        """Send some of the bytes; how many."""
        return self._sock.send(data)

    def close(self) -> None:
        """Close the socket and forget what was not read."""
        self._piece, self._at, self._end = bytearray(), 0, 0
        self._sock.close()

    def fileno(self) -> int:
        """Number of the system's socket."""
        return self._sock.fileno()

    def setblocking(self, flag: bool) -> None:
        """As of a socket."""
        self._sock.setblocking(flag)


class BufferedClient(paho.Client):
    """The library's client on a BufferedSocket.

    The method is not part of the library's public face. Should it ever go away there, it is simply
    not called any more, and the client works as before, only slower.
    """

    def _create_socket(self) -> Any:
        return BufferedSocket(super()._create_socket())
