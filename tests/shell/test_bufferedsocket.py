"""The buffered socket: the same bytes in the same order, however they come and are asked for."""

import socket

import pytest
from hypothesis import given
from hypothesis import strategies as st

from condmon.mqtt.bufferedsocket import BufferedSocket


@given(st.lists(st.binary(min_size=1, max_size=50), max_size=10), st.integers(1, 20))
def test_bytes_come_out_as_they_went_in(pieces, size):
    near, far = socket.socketpair()
    with near, far:
        buffered = BufferedSocket(near)
        for piece in pieces:
            far.sendall(piece)
        far.shutdown(socket.SHUT_WR)
        got = b""
        while part := buffered.recv(size):
            assert len(part) <= size
            got += part
        assert b"".join(pieces) == got


def test_empty_socket_blocks_or_says_so_and_what_waits_is_counted():
    near, far = socket.socketpair()
    with near, far:
        buffered = BufferedSocket(near)
        buffered.setblocking(False)
        with pytest.raises(BlockingIOError):
            buffered.recv(1)
        far.sendall(b"abcdef")
        assert (b"ab", 4) == (buffered.recv(2), buffered.pending())
        assert (b"cdef", 0) == (buffered.recv(10), buffered.pending())
        assert near.fileno() == buffered.fileno()
        assert 3 == buffered.send(b"xyz")
        assert b"xyz" == far.recv(10)
        far.sendall(b"gh")
        buffered.recv(1)
        buffered.close()
        assert 0 == buffered.pending()
