"""A socket that is read in large pieces and handed out in small ones.

The MQTT library reads each packet in three small pieces, and every system call lets the turn's
thread take the interpreter away for milliseconds. With this in between, a backlog comes in about a
third faster beside a busy turn (measured with the parts of tests/bench/ingest.py).
"""

import socket
import ssl
from typing import Any

import paho.mqtt.client as paho

PIECE_BYTES = 64 * 1024


class BufferedSocket:
    """As much of a socket as the MQTT library uses; raises what the socket raises."""

    def __init__(self, sock: Any) -> None:
        self._sock: socket.socket | ssl.SSLSocket = sock
        self._piece = b""
        self._at = 0

    def recv(self, size: int) -> bytes:
        """Up to `size` bytes; empty at the end of the stream."""
        if self._at >= len(self._piece):
            self._piece = self._sock.recv(PIECE_BYTES)
            self._at = 0
        start, self._at = self._at, self._at + size
        return self._piece[start : self._at]

    def pending(self) -> int:
        """Bytes that can be read although the system's socket may have none."""
        inner = self._sock.pending() if isinstance(self._sock, ssl.SSLSocket) else 0
        return max(0, len(self._piece) - self._at) + inner

    def getpeercert(self) -> Any:
        """The certificate of the other end as a dict; None without TLS."""
        return self._sock.getpeercert() if isinstance(self._sock, ssl.SSLSocket) else None

    def send(self, data: bytes) -> int:
        """Send some of the bytes; how many."""
        return self._sock.send(data)

    def close(self) -> None:
        """Close the socket and forget what was not read."""
        self._piece, self._at = b"", 0
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
