"""How long a connection may take to say what it wants. Uses uvicorn.

The server by itself waits for ever for the rest of a request; some hundred half-said ones would
keep everyone else out.
"""

import asyncio
from typing import Any

import h11
from uvicorn.protocols.http.h11_impl import H11Protocol

HEAD_WITHIN_S = 20.0
BODY_WITHIN_S = 180.0
"""A photo over a slow phone takes its time; only who is signed in comes as far as that."""


class Patience(H11Protocol):
    """A connection that is closed when its request is not whole in time."""

    _late: asyncio.TimerHandle | None = None
    _for: Any = None  # what is waited for, as h11 names it

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for the first request."""
        super().connection_made(transport)
        self._wait()

    def data_received(self, data: bytes) -> None:
        """Take bytes; wait on where they do not complete a request."""
        super().data_received(data)
        self._wait()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        self._stop_waiting()
        super().connection_lost(exc)

    def _wait(self) -> None:
        """One wait for head, one for body; more bytes of the same make neither longer."""
        state = self.conn.their_state
        if state is not h11.IDLE and state is not h11.SEND_BODY:
            self._stop_waiting()
        elif self._late is None or state is not self._for:
            self._stop_waiting()
            self._for = state
            within_s = HEAD_WITHIN_S if state is h11.IDLE else BODY_WITHIN_S
            self._late = self.loop.call_later(within_s, self._hang_up)

    def _stop_waiting(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None

    def _hang_up(self) -> None:
        self._late = None
        self.transport.abort()
